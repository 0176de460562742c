package ageing

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Histories are too small for a deep queue, so it has a law of its own: whatever
// goes in and out, also near the wrap, the first is the least and each knows its place.
func TestLawAQueueKnowsItsFirst(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const n = 60
		all := make([]BudgetAccount, n)
		for i := range all {
			all[i].place = [4]int32{nowhere, nowhere, nowhere, nowhere}
		}
		q := queue{which: 1}
		base := rapid.SampledFrom([]int64{0, math.MaxInt64 - 50}).Draw(t, "base")
		keys := map[int32]int64{}
		for range 200 {
			a := rapid.Int32Range(0, n-1).Draw(t, "account")
			if _, in := keys[a]; in {
				q.remove(all, a)
				delete(keys, a)
			} else {
				keys[a] = base + rapid.Int64Range(0, 100).Draw(t, "key")
				q.push(all, a, keys[a])
			}
			q.remove(all, (a+1)%n) // often not in it
			delete(keys, (a+1)%n)
			for i, e := range q.entries {
				if all[e.account].place[1] != int32(i) || keys[e.account] != e.key {
					t.Fatalf("account %d at %d: place %d, key %d of %d", e.account, i, all[e.account].place[1], e.key, keys[e.account])
				}
				if e.key-q.entries[0].key < 0 || i > 0 && e.key-q.entries[(i-1)/4].key < 0 {
					t.Fatalf("out of order at %d", i)
				}
			}
			if f, ok := q.first(); ok != (len(q.entries) > 0) || ok && f != q.entries[0] {
				t.Fatalf("the first is %+v %v", f, ok)
			}
			if len(q.entries) != len(keys) {
				t.Fatalf("%d entries, want %d", len(q.entries), len(keys))
			}
		}
	})
}
