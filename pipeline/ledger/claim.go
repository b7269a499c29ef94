package ledger

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Claim reserves the making of a product for an owner, so that no two make the
// same. It returns false if the product is current already, or if another
// owner's claim has not run out at the time now. An owner that claims again
// what it holds extends the claim. An owner is one worker, not a program: give
// each of them a name of its own, such as host, process and number.
//
// A claim ends when the outcome is recorded ([Outcome].Owner), by
// [Ledger.Release], or at the time until, for workers that died. Claims are
// compared with the caller's clocks, which have to agree to much better than
// the length of a claim.
func (l *Ledger) Claim(ctx context.Context, id Hash, owner string, now, until time.Time) (bool, error) {
	err := l.change(ctx, "claim a product", func(c *change) error { return c.claim(ctx, id, owner, now, until) })
	if errors.Is(err, errTaken) {
		return false, nil
	}
	return err == nil, err
}

var errTaken = errors.New("somebody else has the claim, or the product is made")

func (c *change) claim(ctx context.Context, id Hash, owner string, now, until time.Time) error {
	if owner == "" || !until.After(now) {
		return errors.New("a claim needs an owner, and an end that lies ahead")
	}
	if err := errors.Join(needHash("the product", id), checkText(owner)); err != nil {
		return err
	}
	from, err := nanos(now)
	if err != nil {
		return err
	}
	to, err := nanos(until)
	if err != nil {
		return err
	}
	n, err := c.exec(ctx, `INSERT INTO claim (id, owner, until_at) VALUES ($1, $2, $3)
		ON CONFLICT (id) DO UPDATE SET owner = excluded.owner, until_at = excluded.until_at
		WHERE claim.owner = excluded.owner OR claim.until_at <= $4`, id[:], owner, to, from)
	if err == nil && n == 0 {
		err = errTaken
	}
	if err != nil {
		return err
	}
	// Only now, with the claim in hand, nobody else can be about to record
	// the product.
	_, made, err := c.number(ctx, `SELECT key FROM product WHERE id = $1 AND state = 'current'`, id[:])
	if err == nil && made {
		err = errTaken
	}
	return err
}

// Release gives a claim back. Without such a claim it does nothing.
func (l *Ledger) Release(ctx context.Context, id Hash, owner string) error {
	return l.change(ctx, "release a claim", func(c *change) error {
		_, err := c.exec(ctx, `DELETE FROM claim WHERE id = $1 AND owner = $2`, id[:], owner)
		return err
	})
}

// endClaim ends an owner's claim with the outcome.
func (c *change) endClaim(ctx context.Context, id Hash, owner string) error {
	if owner == "" {
		return nil
	}
	n, err := c.exec(ctx, `DELETE FROM claim WHERE id = $1 AND owner = $2`, id[:], owner)
	if err == nil && n == 0 {
		err = fmt.Errorf("%w: it ran out and another took it, or it was released: claim for longer", ErrClaimLost)
	}
	return err
}
