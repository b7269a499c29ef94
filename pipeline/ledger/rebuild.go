package ledger

import (
	"context"
	"iter"
)

// Record is what one file of an archive tells, or a line of its journal. Fields
// that are nil are left out; the recipe is taken before the outcome. Runs get
// new numbers. A run that the ledger has, by beginning and owner, or an alert,
// by rule, subject and beginning, stays as it is.
type Record struct {
	Recipe  *Recipe
	Master  *Master
	Outcome *Outcome
	Run     *Run
	Alert   *Alert
}

// filesTables hold what the files of an archive also say; workTables the rest. Tables that refer to others come first.
var (
	filesTables = []string{"metric", "product", "input_set_member", "input_set", "part", "frame", "series", "recipe", "master", "place"}
	workTables  = []string{"run", "alert", "arrival", "post"}
)

// Forget empties the ledger.
func (l *Ledger) Forget(ctx context.Context) error {
	return l.change(ctx, "forget everything", func(c *change) error {
		if err := c.empty(ctx, filesTables); err != nil {
			return err
		}
		return c.empty(ctx, workTables)
	})
}

func (c *change) empty(ctx context.Context, tables []string) error {
	for _, t := range tables {
		if _, err := c.exec(ctx, `DELETE FROM `+t); err != nil {
			return err
		}
	}
	return nil
}

// Rebuild replaces all that the ledger knows of frames, masters, recipes and
// products by what the files of the archive tell, and returns the number of
// records. Failures and places are forgotten: the next look at the folders finds
// them again. Runs, alerts, arrivals and messages to send, which no header tells
// of, stay. Until it is through, others see the ledger as it was, and so it
// stays if records yields an error or the process dies.
//
// Of several products of one kind from the same part, and of several at one
// path, the last that is recorded as current stays current.
func (l *Ledger) Rebuild(ctx context.Context, records iter.Seq2[Record, error]) (int, error) {
	n := 0
	// Once only: records may not be there a second time.
	err := l.once(ctx, func(c *change) error {
		if err := l.base.beginBatch(ctx, c.tx); err != nil {
			return err
		}
		if err := c.empty(ctx, filesTables); err != nil {
			return err
		}
		for r, err := range records {
			if err != nil {
				return err
			}
			if err := c.addRecord(ctx, &r); err != nil {
				return err
			}
			n++
		}
		return l.base.afterRebuild(ctx, c.tx)
	})
	if err != nil {
		return 0, l.explain(ctx, "rebuild", err)
	}
	return n, nil
}

func (c *change) addRecord(ctx context.Context, r *Record) error {
	if r.Recipe != nil {
		if err := c.addRecipe(ctx, *r.Recipe); err != nil {
			return err
		}
	}
	if r.Master != nil {
		if err := c.addMaster(ctx, r.Master); err != nil {
			return err
		}
	}
	if r.Outcome != nil {
		if err := c.addOutcome(ctx, r.Outcome); err != nil {
			return err
		}
	}
	if r.Run != nil {
		if err := c.restoreRun(ctx, r.Run); err != nil {
			return err
		}
	}
	if r.Alert != nil {
		return c.restoreAlert(ctx, r.Alert)
	}
	return nil
}
