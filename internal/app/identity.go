package app

import (
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
)

// RingFile is the file of a data folder that holds the keys which wrap the patients'
// keys. No backup holds it.
const RingFile = "identity.keys"

// openIdentity opens the store of the patients, waiting for a log that doesn't answer.
func (a *App) openIdentity(ctx context.Context) error {
	var lost error
	err := a.patiently(ctx, func() (err error) {
		a.people, err = identity.Open(ctx, identity.Options{
			Keys: a.parts.Log.Shelf(eventlog.ShelfKeys), Identity: a.parts.Log.Shelf(eventlog.ShelfIdentity), Access: a.parts.Log.Shelf(eventlog.ShelfAccess),
			Ring: a.parts.Ring, Secret: a.parts.Secret, KeepDays: a.parts.KeepDays, Now: a.parts.Clock.Now, Rand: rand.Reader, Logger: a.parts.Logger,
		})
		if err != nil && !errors.Is(err, eventlog.ErrUncertain) {
			lost = err // waiting doesn't help
			return nil
		}
		return err
	})
	return errors.Join(err, lost)
}

// eraseAgain destroys what the log says was erased: an erasure that broke off, or one
// whose keys came back with a backup.
func (a *App) eraseAgain(run context.Context, erase func(context.Context, string) error) {
	if a.model.CatchUp(run) != nil {
		return // stopping
	}
	var refs []string
	a.model.World(func(w *custody.World) { refs = w.ErasedPatients() })
	for _, ref := range refs {
		if err := erase(run, ref); err != nil && run.Err() == nil {
			a.parts.Logger.Error("an identity that the log says was erased could not be erased again; the next start tries again", slog.String("reference", ref), slog.Any("error", err))
		}
	}
}

// tendEvery is how often it is asked whether the keys must rotate.
const tendEvery = time.Hour

// tendIdentity finishes erasures that broke off and rotates keys when it is due. Every
// process of a site does, which is safe; no lease is needed.
func (a *App) tendIdentity(run context.Context, erase func(context.Context, string) error) {
	a.eraseAgain(run, erase)
	for {
		if err := a.people.Tend(run); err != nil && run.Err() == nil {
			a.parts.Logger.Warn("the patients' keys were not tended; it is tried again in an hour", slog.Any("error", err))
		}
		select {
		case <-run.Done():
			return
		case <-time.After(tendEvery):
		}
	}
}
