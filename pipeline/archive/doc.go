// Package archive keeps an archive of raw frames and their products over years:
// it takes in what arrives, sets aside what cannot be processed until it can,
// finds out which products are out of date and makes those again, and nothing
// else.
//
// Whatever changes an archive holds its turn ([ledger.Ledger.TakeTurn]), so no
// two processes ever do the same work. The order of writing is such that a
// process may be killed at any moment: a product takes its name when it is whole
// and on the disk; then the ledger learns of it; then the place of the raw file
// counts as looked at. What was left between two of these steps is found again
// by the next run: it adopts the product that the ledger does not know yet, or
// looks at the raw file once more.
//
// Raw files are opened below their source folder ([os.Root]), and links are not
// followed. No name that stands in a header is ever used as a path.
package archive
