package app

import (
	"context"

	"specimen.example/custody/internal/web"
)

// pages tells the web front what the live model says.
type pages struct{ a *App }

// Wall implements web.Source.
func (p *pages) Wall(context.Context) (web.WallPage, error) { return web.WallPage{}, web.ErrNotReady }

// Tube implements web.Source.
func (p *pages) Tube(context.Context, string) (web.TubePage, error) {
	return web.TubePage{}, web.ErrNotReady
}

// Watch implements web.Source.
func (p *pages) Watch(context.Context, uint64) (<-chan web.Change, error) {
	return nil, web.ErrNotReady
}
