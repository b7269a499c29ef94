package page

import (
	"context"
	"errors"
	"time"

	"evenlight/pipeline/archive"
)

type Span struct {
	From, To time.Time
	By       string
}

func OfPeriod(ctx context.Context, a *archive.Archive, span Span, opt Options) (*Page, error) {
	return nil, errors.New("not yet")
}
