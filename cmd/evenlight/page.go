package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"evenlight/pipeline/demo"
	"evenlight/pipeline/page"
)

// pageFlags are the flags of the command that makes a page.
type pageFlags struct {
	run      page.Run
	summary  string
	archive  string
	from, to string
	by       string
	out      string
	stamp    bool
}

func pageCommand(s *settings) *cobra.Command {
	var o pageFlags
	c := &cobra.Command{
		Use:   "page {--products FOLDER | --archive FILE} --out FOLDER",
		Short: "Make the QA summary of a run, a night or a year as a page to look at",
		Long: `Makes a page (HTML that opens from the disk, without a network) of a run of
calibrate, or of a period of an archive: what needs attention first, counts,
trends, frames with pictures and plots, masters, failures. The same is written as
JSON and CSV beside it. All of it is read from files, so a page can be made again
at any time; the same files give the same bytes. Up to about a hundred frames the
page is the one file index.html, beyond that the details are in part files.`,
		Example: `  evenlight page --products products --raw raw --masters masters --out page
  evenlight page --archive archive.yaml --from 2031-04-05 --to 2031-04-06 --out night
  evenlight page --archive archive.yaml --from 2031-04-05T18:00 --by arrival --out downlinks`,
		Args:    cobra.NoArgs,
		PreRunE: func(c *cobra.Command, _ []string) error { return o.check(c) },
		RunE: func(c *cobra.Command, _ []string) error {
			opt := page.Options{Out: o.out, Workers: s.workers, Progress: s.progress(c.ErrOrStderr())}
			if o.stamp {
				opt.Stamp = time.Now()
			}
			var p *page.Page
			var err error
			if o.archive != "" {
				p, err = s.periodPage(c, &o, opt)
			} else {
				p, err = o.runPage(opt)
			}
			if err != nil {
				return failed(err)
			}
			return s.answerPage(c, p, o.out)
		},
	}
	f := c.Flags()
	f.StringVar(&o.run.Products, "products", "", "folder of the products of a run of calibrate")
	f.StringVar(&o.summary, "summary", "", "QA summary of the run (default: summary.json in the folder of the products)")
	f.StringVar(&o.run.Raw, "raw", "", "folder of the raw frames, if they are not where the run found them")
	f.StringVar(&o.run.Masters, "masters", "", "folder of the masters, to show them")
	f.StringVar(&o.archive, "archive", "", "archive file: make the page of a period instead")
	f.StringVar(&o.from, "from", "", "the period begins at this time (UTC), such as 2031-04-05 or 2031-04-05T06:00:00")
	f.StringVar(&o.to, "to", "", "and ends before this one")
	f.StringVar(&o.by, "by", page.ByExposure, "time of a frame that counts: exposure (its start, as the header says) or arrival (when the archive first saw it)")
	f.StringVar(&o.out, "out", "", "folder for the page (required)")
	f.BoolVar(&o.stamp, "stamp", false, "say on the page when it was made; its bytes then differ each time")
	_ = c.MarkFlagRequired("out")
	_ = c.MarkFlagFilename("archive", "yaml", "yml")
	return c
}

func (o *pageFlags) check(c *cobra.Command) error {
	switch {
	case (o.run.Products == "") == (o.archive == ""):
		return errors.New("name --products for the page of a run, or --archive for the page of a period")
	case o.archive != "" && (o.run.Raw != "" || o.run.Masters != "" || o.summary != ""):
		return errors.New("--raw, --masters and --summary belong to --products: an archive knows where its files lie")
	case o.archive == "" && (o.from != "" || o.to != "" || c.Flags().Changed("by")):
		return errors.New("--from, --to and --by belong to --archive: the page of a run shows all of it")
	case o.by != page.ByExposure && o.by != page.ByArrival:
		return fmt.Errorf("--by %q: choose %s or %s", o.by, page.ByExposure, page.ByArrival)
	}
	return nil
}

func (o *pageFlags) runPage(opt page.Options) (*page.Page, error) {
	summary := o.summary
	if summary == "" {
		summary = filepath.Join(o.run.Products, demo.SummaryFile)
	}
	var err error
	if o.run.Summary, err = page.ReadSummary(summary); err != nil {
		return nil, err
	}
	return page.OfRun(o.run, opt)
}

// pageView says what a page holds, for machines.
type pageView struct {
	Index     string           `json:"index"`
	Parts     int              `json:"parts"`
	Counts    page.Counts      `json:"counts"`
	Attention []page.Attention `json:"attention"`
}

func (s *settings) answerPage(c *cobra.Command, p *page.Page, out string) error {
	index := filepath.Join(out, page.IndexFile)
	var err error
	if s.json {
		err = writeJSON(c.OutOrStdout(), pageView{index, len(p.Parts), p.Counts, p.Attention})
	} else {
		_, err = fmt.Fprintf(c.OutOrStdout(), "%d frames, %d masters, %d failures; %d things need attention; open %s\n",
			len(p.Frames), len(p.Masters), len(p.Failures), len(p.Attention), visible(index))
	}
	if err != nil {
		return failed(err)
	}
	return nil
}
