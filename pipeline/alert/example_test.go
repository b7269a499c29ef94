package alert_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"evenlight/configs"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/ledger"
)

func ExampleJudge() {
	folder, err := os.MkdirTemp("", "")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(folder)
	ctx := context.Background()
	led, err := ledger.Open(ctx, filepath.Join(folder, "ledger.db"), ledger.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer led.Close()

	rules := []configs.Rule{{Name: "room for products", Kind: configs.RuleSpace, Folder: "products", BelowGiB: 50}}
	found, err := alert.Judge(ctx, led, rules, alert.Env{
		Now:     time.Date(2031, 4, 5, 6, 7, 8, 0, time.UTC),
		What:    "calibrated frame",
		Folders: map[string]string{"products": "/srv/marrowby/products"},
		Free:    func(string) (uint64, error) { return 12 << 30, nil },
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range found {
		fmt.Println(f.Rule, "|", f.Subject, "|", f.Message)
	}
	// Output:
	// room for products | folder=products | 12.00 GiB are left in the folder of products, /srv/marrowby/products (less than 50 GiB); make room, or move the folder to a larger disk
}
