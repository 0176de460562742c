package apptest

import (
	"net"
	"sync"
	"testing"
	"time"
)

// Proxy is a network between a client and a server that fails as it is told.
type Proxy struct {
	Address string
	target  string

	mu     sync.Mutex // guards the fields below
	pairs  map[net.Conn]net.Conn
	cut    bool          // connections are broken off, new ones refused
	silent bool          // bytes vanish, connections stay open
	delay  time.Duration // before each piece is passed on
}

// NewProxy listens on the loopback and passes everything on to target.
func NewProxy(tb testing.TB, target string) *Proxy {
	tb.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // at once
	if err != nil {
		tb.Fatal(err)
	}
	p := &Proxy{Address: l.Addr().String(), target: target, pairs: map[net.Conn]net.Conn{}}
	go p.accept(l)
	tb.Cleanup(func() { _ = l.Close(); p.Cut() })
	return p
}

func (p *Proxy) accept(l net.Listener) {
	for {
		in, err := l.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		refuse := p.cut
		p.mu.Unlock()
		if refuse {
			_ = in.Close()
			continue
		}
		out, err := net.Dial("tcp", p.target) //nolint:noctx // the loopback answers at once
		if err != nil {
			_ = in.Close()
			continue
		}
		p.mu.Lock()
		p.pairs[in] = out
		p.mu.Unlock()
		go p.pass(in, out, in)
		go p.pass(out, in, in)
	}
}

// pass copies one direction of the pair that is known by key.
func (p *Proxy) pass(to, from, key net.Conn) {
	defer func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		if out := p.pairs[key]; out != nil {
			_, _ = key.Close(), out.Close()
			delete(p.pairs, key)
		}
	}()
	buf := make([]byte, 64<<10)
	for {
		n, err := from.Read(buf)
		if n > 0 {
			p.mu.Lock()
			silent, delay := p.silent, p.delay
			p.mu.Unlock()
			time.Sleep(delay)
			if silent {
				continue // gone, and nobody is told
			}
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// Cut breaks every connection off and refuses new ones.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut = true
	for in, out := range p.pairs {
		_, _ = in.Close(), out.Close()
	}
}

// Silence lets every byte vanish while the connections stay open, as a firewall
// does that has forgotten them. What vanished never comes: once bytes flow again
// the old connections would carry the middle of something, so they are broken off
// then.
func (p *Proxy) Silence() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.silent = true
}

// Delay holds every piece up for d.
func (p *Proxy) Delay(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.delay = d
}

// Heal is a network that works again.
func (p *Proxy) Heal() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.silent {
		for in, out := range p.pairs {
			_, _ = in.Close(), out.Close()
		}
	}
	p.cut, p.silent, p.delay = false, false, 0
}
