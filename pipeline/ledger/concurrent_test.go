package ledger_test

import (
	"context"
	"strings"
	"sync"
	"testing"

	"evenlight/pipeline/ledger"
)

func TestLedgersOpenedAtOnceMakeTheTablesOnce(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		var all sync.WaitGroup
		for i := range 6 {
			all.Go(func() {
				l, err := ledger.Open(context.Background(), address, ledger.Options{})
				if err != nil {
					t.Error(err)
					return
				}
				defer l.Close()
				if err := l.AddFrames(context.Background(), []ledger.Frame{frame(i)}); err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		if r := rows(t, open(t, address), ledger.Filter{}); len(r) != 6 {
			t.Errorf("%d frames, want 6", len(r))
		}
	})
}

func TestChangesToTheSameRowsAtOnceAllSucceed(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		made(t, l)
		forwards, backwards := []ledger.Outcome{}, []ledger.Outcome{}
		for i := range 8 {
			forwards, backwards = append(forwards, outcome(i)), append(backwards, outcome(7-i))
		}
		var all sync.WaitGroup
		for _, batch := range [][]ledger.Outcome{forwards, backwards} {
			all.Go(func() {
				for range 5 {
					if err := l.Record(context.Background(), batch...); err != nil {
						t.Error(err)
					}
				}
			})
		}
		all.Wait()
		if r := rows(t, l, ledger.Filter{}); len(r) != 8 || strings.Count(got[string](t)(l.Dump(context.Background())), "product [") != 8 {
			t.Errorf("%d frames, want 8 with a product each", len(r))
		}
	})
}
