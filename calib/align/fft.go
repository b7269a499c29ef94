package align

import "gonum.org/v1/gonum/dsp/fourier"

// transform2D is the discrete Fourier transform of real images of one size.
// Only the half of the spectrum that is not the mirror of the other is kept:
// height rows of width/2+1 coefficients.
type transform2D struct {
	width, height, workers int
	rows                   []*fourier.FFT      // one per worker
	cols                   []*fourier.CmplxFFT // one per worker
	lines                  [][]complex128      // one per worker: some columns, one after the other
}

// columnsAtOnce columns are gathered together: 8 complex numbers are two
// cache lines, so each line that is fetched is used as a whole.
const columnsAtOnce = 8

func newTransform2D(width, height, workers int) *transform2D {
	t := &transform2D{width: width, height: height, workers: max(1, workers)}
	for range t.workers {
		t.rows = append(t.rows, fourier.NewFFT(width))
		t.cols = append(t.cols, fourier.NewCmplxFFT(height))
		t.lines = append(t.lines, make([]complex128, columnsAtOnce*height))
	}
	return t
}

// half returns the number of coefficients of a row.
func (t *transform2D) half() int { return t.width/2 + 1 }

// forward returns the spectrum of an image.
func (t *transform2D) forward(image []float64) []complex128 {
	half := t.half()
	spectrum := make([]complex128, half*t.height)
	eachBlock(t.workers, t.height, func(w, y0, y1 int) {
		for y := y0; y < y1; y++ {
			t.rows[w].Coefficients(spectrum[y*half:(y+1)*half], image[y*t.width:(y+1)*t.width])
		}
	})
	t.eachColumn(spectrum, func(w int, line []complex128) { t.cols[w].Coefficients(line, line) })
	return spectrum
}

// backward returns the image of a spectrum, times width x height. The
// spectrum is overwritten.
func (t *transform2D) backward(spectrum []complex128) []float64 {
	half := t.half()
	image := make([]float64, t.width*t.height)
	t.eachColumn(spectrum, func(w int, line []complex128) { t.cols[w].Sequence(line, line) })
	eachBlock(t.workers, t.height, func(w, y0, y1 int) {
		for y := y0; y < y1; y++ {
			t.rows[w].Sequence(image[y*t.width:(y+1)*t.width], spectrum[y*half:(y+1)*half])
		}
	})
	return image
}

// eachColumn hands every column of the spectrum to do, which changes it in
// place.
func (t *transform2D) eachColumn(spectrum []complex128, do func(worker int, line []complex128)) {
	half, h := t.half(), t.height
	parallel(t.workers, (half+columnsAtOnce-1)/columnsAtOnce, func(w, i int) {
		x0 := i * columnsAtOnce
		n := min(columnsAtOnce, half-x0)
		lines := t.lines[w]
		for y := range h {
			for k, c := range spectrum[y*half+x0 : y*half+x0+n] {
				lines[k*h+y] = c
			}
		}
		for k := range n {
			do(w, lines[k*h:(k+1)*h])
		}
		for y := range h {
			row := spectrum[y*half+x0 : y*half+x0+n]
			for k := range row {
				row[k] = lines[k*h+y]
			}
		}
	})
}

// goodSize returns the smallest number from n on that has no prime factor
// above 5, for which the transform is fast.
func goodSize(n int) int {
	for ; ; n++ {
		m := n
		for _, p := range []int{2, 3, 5} {
			for m%p == 0 {
				m /= p
			}
		}
		if m == 1 {
			return n
		}
	}
}
