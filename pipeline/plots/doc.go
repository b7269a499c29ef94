// Package plots draws the plots of a sensor's characterisation, and charts of
// the same look for other pages: photon transfer, residuals of linearity, dark
// current against temperature, histograms, patterns of columns and rows.
//
// Each kind of plot is a struct of numbers and names. Its Draw checks them and
// makes a [Figure], which gives the bytes of an SVG or PNG file. The same
// numbers give the same bytes: nothing depends on the clock, on the order of a
// map, or on fonts of the machine. The package knows no files and no pipeline.
//
// The look: what is plotted stands in the title, in which units stands at the
// axes; measured points have bars of one standard uncertainty, and are hollow
// where a fit left them out; what is expected of them is a line. Colours are
// those of Okabe and Ito, and each series has a shape of its own besides, so
// that the plot can be read in grey.
package plots
