package archive

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"

	"evenlight/pipeline/ledger"
	"evenlight/pipeline/watch"
)

// ErrReload is returned by [Archive.Serve] when its configuration is to be read
// again.
var ErrReload = errors.New("the configuration is to be read again")

// Serve takes in what arrives until the context ends. It looks where something
// changed, and everywhere ever so often; it does nothing while nothing happens.
// What it cannot do because of its surroundings it tries again, at growing
// intervals. The error is one that trying again does not help, such as a damaged
// ledger.
func (a *Archive) Serve(ctx context.Context, n *watch.Notifier) error {
	folders := []string{a.cfg.Masters}
	for _, s := range a.sources {
		folders = append(folders, s.Folder)
	}
	rescan := time.Duration(a.cfg.Intake.RescanMinutes * float64(time.Minute))
	w, err := watch.New(folders, rescan, a.opt.Log)
	if err != nil {
		return err
	}
	a.opt.Beat = n.Beat
	go w.Run(ctx)
	// The watchdog is fed, too, while the frames in hand are brought to their end.
	dog, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	go n.Run(dog)
	said := make(chan struct{})
	unsaid := context.AfterFunc(ctx, func() {
		defer close(said)
		n.Stopping()
	})
	defer func() {
		if !unsaid() {
			<-said
		}
	}()
	n.Ready()
	a.opt.Log.Info(EventServiceReady, zap.Strings("folders", folders))
	s := &server{a: a, n: n, rescan: rescan, again: time.NewTimer(0)}
	s.again.Stop()
	err = s.loop(ctx, w.Changes())
	a.opt.Log.Info(EventServiceStopped, zap.Error(err))
	return err
}

// server is what a service remembers between passes.
type server struct {
	a       *Archive
	n       *watch.Notifier
	rescan  time.Duration
	all     bool     // everything is to be looked at
	folders []string // else these
	again   *time.Timer
	delay   time.Duration // before the next try after a failure
}

func (s *server) loop(ctx context.Context, changes <-chan watch.Change) error {
	for {
		s.n.Idle(true)
		select {
		case <-ctx.Done():
			return nil
		case <-s.a.opt.Reload:
			return ErrReload
		case <-s.again.C:
		case c, ok := <-changes:
			if !ok {
				return nil
			}
			s.take(c)
			s.drain(changes)
		}
		if s.a.opt.Changed != nil && s.a.opt.Changed() {
			return ErrReload
		}
		if err := s.pass(ctx); err != nil {
			return err
		}
	}
}

// take remembers what a change asks to be looked at.
func (s *server) take(c watch.Change) {
	if c.All() {
		s.all = true
	} else if !slices.Contains(s.folders, c.Folder) {
		s.folders = append(s.folders, c.Folder)
	}
}

func (s *server) drain(changes <-chan watch.Change) {
	for {
		select {
		case c, ok := <-changes:
			if !ok {
				return
			}
			s.take(c)
		default:
			return
		}
	}
}

// firstDelay is how long after a failure the next try is.
const firstDelay = 10 * time.Second

// pass looks at what is to be looked at. Its error is one that ends the service.
func (s *server) pass(ctx context.Context) error {
	opt := PassOptions{Wait: forever, Folders: s.folders, Begin: func() { s.n.Idle(false); s.n.Beat() }}
	if s.all {
		opt.Folders = nil
	} else if len(s.folders) == 0 {
		return nil
	}
	r, err := s.a.Pass(ctx, opt)
	switch {
	case ctx.Err() != nil:
		return nil
	case errors.Is(err, ledger.ErrCorrupt) || errors.Is(err, ledger.ErrNewer):
		return err
	case err != nil:
		s.delay = min(max(2*s.delay, firstDelay), s.rescan)
		s.a.opt.Log.Error(EventPassFailed, zap.Error(err), zap.Duration("next", s.delay))
		s.n.Status(err.Error())
		s.again.Reset(s.delay)
		return nil // what was to be looked at still is
	}
	s.all, s.folders, s.delay = false, nil, 0
	if len(r.changing) > 0 {
		s.folders = slices.Compact(slices.Sorted(slices.Values(r.changing)))
		s.again.Reset(time.Duration(s.a.cfg.Intake.SettleS*float64(time.Second)) + time.Second)
	}
	s.n.Status(fmt.Sprintf("last pass: %d done, %d failed, %d waiting; %d alerts", r.Counts.Done, r.Counts.Failed, r.Waiting, len(r.Alerts)))
	return nil
}
