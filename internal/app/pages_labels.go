package app

import "specimen.example/custody/internal/label"

// Schemes implements web.Source.
func (p *pages) Schemes() *label.Schemes { return p.schemes() }

// schemes are the site's number schemes in force.
func (p *pages) schemes() *label.Schemes { s, _ := label.Compile(nil); return s }
