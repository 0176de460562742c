package demo

import (
	"context"
	"time"

	"google.golang.org/grpc"
)

// TubeID is the number of a tube as its label has it.
func TubeID(number int) string { return tubeID(number) }

// MostTubes is the most that Live adds.
const MostTubes = mostTubes

// Show is Live by hand: the test says when it looks.
type Show struct{ s *show }

// Begin starts a show as Live does.
func Begin(ctx context.Context, conn grpc.ClientConnInterface, now func() time.Time) (*Show, error) {
	s, err := begin(ctx, conn, now)
	return &Show{s}, err
}

// Look does what is due now.
func (s *Show) Look(ctx context.Context) error { return s.s.look(ctx) }

// Added is how many tubes Live added.
func (s *Show) Added() int { return s.s.next - s.s.first }

// SkipTo makes the show believe that it added so many tubes.
func (s *Show) SkipTo(added int) { s.s.next = s.s.first + added }
