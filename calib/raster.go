package calib

// Raster is an image that lies in memory as a whole: value, random variance
// and flags of each pixel, row by row from the first. Value is NaN where there
// is none; Variance is the square of Value's unit, and NaN where the flags
// have a bit of Unusable, unless the pixel was filled.
type Raster struct {
	Width, Height int
	Value         []float32
	Variance      []float32
	Flags         []Flags
}

// NewRaster makes a raster of zeros.
func NewRaster(width, height int) *Raster {
	n := width * height
	return &Raster{width, height, make([]float32, n), make([]float32, n), make([]Flags, n)}
}

// Good tells whether pixel i has a value and an uncertainty.
func (r *Raster) Good(i int) bool {
	return r.Flags[i].Standing()&Unusable == 0 && r.Value[i] == r.Value[i]
}
