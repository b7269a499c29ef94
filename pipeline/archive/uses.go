package archive

import (
	"context"
	"path/filepath"

	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// Uses lists the current products that were made with a content, and then those
// made with one of the masters that it went into, from the ledger alone.
func (a *Archive) Uses(ctx context.Context, sha256 string, made []pipeline.Made) ([]pipeline.Use, error) {
	uses := []pipeline.Use{}
	listed := map[ledger.Hash]bool{}
	list := func(digits, through string) error {
		sha, err := ledger.ParseHash(digits)
		if err != nil {
			return err
		}
		return a.led.ProductsOf(ctx, sha, func(id ledger.Hash, path string) error {
			if !listed[id] {
				listed[id] = true
				uses = append(uses, pipeline.Use{Product: path, Through: through})
			}
			return nil
		})
	}
	if err := list(sha256, ""); err != nil {
		return nil, err
	}
	for _, m := range made {
		if err := list(m.SHA256, filepath.Base(m.Path)); err != nil {
			return nil, err
		}
	}
	return uses, nil
}
