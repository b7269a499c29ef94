package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"
)

// Turn is the right of one run to work on an archive, which no two have at a
// time. It ends with [Turn.End], or with the process that holds it, however
// that ends; no clock is needed for that. Its methods may be called from
// several goroutines at once.
type Turn struct {
	ledger *Ledger
	mu     sync.Mutex
	ticket ticket // nil: it has ended
}

// ticket is one place in the queue for the turn.
type ticket interface {
	// try takes the turn if nobody has it.
	try(ctx context.Context) (bool, error)
	// holder says who has it, as far as that is known.
	holder(ctx context.Context) string
	// check makes sure that it is still held.
	check(ctx context.Context) error
	// leave gives the turn, or the place, back.
	leave() error
}

// turnAgain is after what time the turn is asked for again.
const turnAgain = 50 * time.Millisecond

// TakeTurn takes the turn in the name of a run, such as "intake", and waits for
// it at most for some time, or not at all if that is 0. It wraps [ErrBusy] if
// another has it until then, in this process or another, and the error says
// who; and the context's error if that ends first.
//
// With a SQLite ledger the turn is a lock on the file beside it whose name ends
// in -turn, which stays there. On a server it is a lock of a connection of its
// own; it needs one that goes to the server directly, because a pool of
// connections between the two would give it to others.
func (l *Ledger) TakeTurn(ctx context.Context, who string, wait time.Duration) (*Turn, error) {
	p, err := l.base.queue(ctx, turnName(who))
	if err != nil {
		return nil, l.explain(ctx, "take the turn", err)
	}
	if err := l.await(ctx, p, wait); err != nil {
		return nil, errors.Join(l.explain(ctx, "take the turn", err), p.leave())
	}
	return &Turn{ledger: l, ticket: p}, nil
}

// await asks for the turn until it is there, the time is over or the context
// ends.
func (l *Ledger) await(ctx context.Context, p ticket, wait time.Duration) error {
	over := time.NewTimer(wait)
	defer over.Stop()
	again := time.NewTicker(turnAgain)
	defer again.Stop()
	for wait > 0 {
		if taken, err := p.try(ctx); taken || err != nil {
			return err
		}
		select {
		case <-again.C:
			continue
		case <-ctx.Done():
			return ctx.Err()
		case <-over.C:
		}
		break
	}
	taken, err := p.try(ctx)
	if err == nil && !taken {
		err = fmt.Errorf("%w: %s; wait until it is done, or end that process", ErrBusy, p.holder(ctx))
	}
	return err
}

// Check makes sure that the turn is still held, and wraps [ErrTurnLost] if it
// is not: the connection to the server broke, somebody removed the file of the
// lock, or the turn has ended. What is done after that may be done twice.
func (t *Turn) Check(ctx context.Context) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	err := errors.New("it has ended")
	if t.ticket != nil {
		err = t.ticket.check(ctx)
	}
	if err != nil {
		return t.ledger.explain(ctx, "see that the turn is held", fmt.Errorf("%w: %w: stop this run and start it again", ErrTurnLost, err))
	}
	return nil
}

// End gives the turn back. Ending it again does nothing.
func (t *Turn) End() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ticket == nil {
		return nil
	}
	err := t.ticket.leave()
	t.ticket = nil
	if err != nil {
		return t.ledger.explain(context.Background(), "give the turn back", err)
	}
	return nil
}

// mostTurnName is the length in bytes to which PostgreSQL cuts the name of a
// session (NAMEDATALEN - 1), and in which who it is must be found.
const mostTurnName = 63

// turnName is one line that says who has the turn: what was given, the process
// and the computer, in at most mostTurnName bytes.
func turnName(who string) string {
	host, err := os.Hostname()
	if err != nil {
		host = "this computer"
	}
	where := fmt.Sprintf(", process %d on %s", os.Getpid(), shorten(oneLine(host), mostTurnName/2))
	return shorten(oneLine(who), mostTurnName-len(where)) + where
}

func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsGraphic(r) {
			return ' '
		}
		return r
	}, s)
}

// shorten cuts a text to a number of bytes, between letters.
func shorten(s string, most int) string {
	for len(s) > most {
		_, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
	}
	return s
}
