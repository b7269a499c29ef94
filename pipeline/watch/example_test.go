package watch_test

import (
	"context"
	"fmt"
	"os"
	"time"

	"go.uber.org/zap"

	"evenlight/pipeline/watch"
)

func ExampleWatcher() {
	dir, err := os.MkdirTemp("", "raw-")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	w, err := watch.New([]string{dir}, 10*time.Minute, zap.NewNop())
	if err != nil {
		fmt.Println(err)
		return
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	go w.Run(ctx)
	for c := range w.Changes() {
		if c.All() {
			fmt.Println("look at everything:", c.Why)
		} else {
			fmt.Println("look at", c.Folder)
		}
		stop() // a service goes on
	}
	// Output: look at everything: start
}
