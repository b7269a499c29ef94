package pipeline

// drawnPlot is one file of a plot.
type drawnPlot struct {
	name    string
	content []byte
}

// plots draws what was measured.
func (c *Characterisation) plots() ([]drawnPlot, error) { return nil, nil }
