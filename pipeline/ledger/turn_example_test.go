package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"evenlight/pipeline/ledger"
)

func ExampleLedger_TakeTurn() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	l, err := ledger.Open(ctx, filepath.Join(dir, "ledger.db"), ledger.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer l.Close()

	turn, err := l.TakeTurn(ctx, "intake", 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	_, err = l.TakeTurn(ctx, "reprocess", 0)
	fmt.Println("a second run is turned away:", errors.Is(err, ledger.ErrBusy))
	if err := turn.End(); err != nil {
		fmt.Println(err)
	}
	// Output:
	// a second run is turned away: true
}
