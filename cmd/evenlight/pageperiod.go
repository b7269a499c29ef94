package main

import (
	"github.com/spf13/cobra"

	"evenlight/pipeline/archive"
	"evenlight/pipeline/page"
)

// periodPage makes the page of a period of an archive.
func (s *settings) periodPage(c *cobra.Command, o *pageFlags, opt page.Options) (*page.Page, error) {
	var sel archive.Selection
	if err := parseTimes(&sel, o.from, o.to); err != nil {
		return nil, err
	}
	k := &keeping{settings: s, path: o.archive}
	a, err := k.open(c, false)
	if err != nil {
		return nil, err
	}
	defer a.end()
	return page.OfPeriod(a.ctx, a.Archive, page.Span{From: sel.From, To: sel.To, By: o.by}, opt)
}
