package app

import (
	"context"
	"time"

	"specimen.example/custody/internal/web"
)

// FlagsOf implements web.LookBackSource.
func (p *pages) FlagsOf(_ context.Context, days int) (web.FlagsPage, error) {
	m := p.a.model
	if !m.Ready() {
		return web.FlagsPage{}, web.ErrNotReady
	}
	now := m.Now()
	var zone watching
	zone.readZone(m)
	page := web.FlagsPage{Seq: m.At().Custody, Now: now, Days: days, Zone: zone.zone}
	page.Report = m.FlagReport(now.Add(-time.Duration(days)*24*time.Hour), now+1)
	return page, nil
}
