package calib

// Block is a stretch of rows of a frame that have been through all stages of
// the chain, with the rows around them that a pass looks at.
type Block struct {
	Raster        // row 0 of it is row Top of the image
	Top       int // first row of the image that is here
	ImageRows int // rows of the whole image
}

// At returns the index of the first pixel of image row y.
func (b *Block) At(y int) int { return (y - b.Top) * b.Width }

// Pass is a step that comes after the chain and looks at pixels all around a
// pixel. What it makes of a row must depend on the rows within its halo alone,
// not on how the image was cut into blocks; so one that changes values must
// never read what it changed itself.
type Pass interface {
	Name() string
	Settings() []Setting
	// Halo is the number of rows above and below a row, where the image has
	// them, that must be there before the row can be treated.
	Halo() int
	// Worker makes the working memory of one goroutine.
	Worker() PassWorker
}

// PassWorker treats blocks in place, one after another.
type PassWorker interface {
	// Apply treats image rows y0 <= y < y1 of the block, which holds the halo
	// around them, and changes no others.
	Apply(b *Block, y0, y1 int)
}
