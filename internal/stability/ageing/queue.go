package ageing

// queue is a 4-ary heap of accounts by the clock value at which something is met
// there. Keys are compared by signed difference, so they may wrap. Every account
// knows its place in each queue it can stand in, so taking it out needs no search.
type queue struct {
	entries []entry
	top     entry // the first of entries, beside the clock: a reading asks for no more
	which   int   // index into BudgetAccount.place
}

type entry struct {
	key     int64
	account int32
}

// nowhere is the place of an account that doesn't stand in a queue.
const nowhere = -1

// first gives the smallest key; ok is false when the queue is empty.
func (q *queue) first() (entry, bool) {
	if len(q.entries) == 0 {
		return entry{}, false
	}
	return q.top, true
}

func (q *queue) push(all []BudgetAccount, account int32, key int64) {
	q.entries = append(q.entries, entry{key, account})
	q.up(all, len(q.entries)-1)
}

// remove takes an account out of the queue, if it stands in it.
func (q *queue) remove(all []BudgetAccount, account int32) {
	i := int(all[account].place[q.which])
	if i == nowhere {
		return
	}
	all[account].place[q.which] = nowhere
	last := len(q.entries) - 1
	moved := q.entries[last]
	q.entries = q.entries[:last]
	if i == last {
		return
	}
	q.entries[i] = moved
	q.down(all, i)
	q.up(all, int(all[moved.account].place[q.which]))
}

func (q *queue) up(all []BudgetAccount, i int) {
	e := q.entries[i]
	for i > 0 {
		parent := (i - 1) / 4
		if q.entries[parent].key-e.key <= 0 {
			break
		}
		q.set(all, i, q.entries[parent])
		i = parent
	}
	q.set(all, i, e)
}

func (q *queue) down(all []BudgetAccount, i int) {
	e := q.entries[i]
	for {
		least := 4*i + 1
		if least >= len(q.entries) {
			break
		}
		for k := least + 1; k < min(4*i+5, len(q.entries)); k++ {
			if q.entries[k].key-q.entries[least].key < 0 {
				least = k
			}
		}
		if e.key-q.entries[least].key <= 0 {
			break
		}
		q.set(all, i, q.entries[least])
		i = least
	}
	q.set(all, i, e)
}

func (q *queue) set(all []BudgetAccount, i int, e entry) {
	q.entries[i] = e
	if i == 0 {
		q.top = e
	}
	all[e.account].place[q.which] = int32(i)
}
