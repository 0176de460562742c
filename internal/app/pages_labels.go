package app

import (
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web"
)

// Schemes implements web.Source.
func (p *pages) Schemes() *label.Schemes { return p.a.model.Schemes() }

// ReadLabel implements web.Source.
func (p *pages) ReadLabel(in label.Input) (web.LabelNamed, error) {
	named, err := p.a.model.Find(in)
	return web.LabelNamed{Reading: named.Reading, ID: named.Key.Label()}, err
}
