// Package page makes the QA summary of a run, of a night or of a year as a page
// that a person opens: what needs attention first, counts, trends, frames with
// pictures and plots, masters, failures; and the same as JSON and CSV.
//
// All of it is read from files (products, masters, raw frames, the summary of a
// run, the ledger), so a page can be made again at any time. A page is an index
// and, where one file would become too large, part files with the details of
// some frames each. Frames are handled one after another, so memory does not
// grow with their number but for their lines in the table.
package page
