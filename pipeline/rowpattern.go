package pipeline

import (
	"fmt"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// extRows is the table of a master bias with the fixed pattern of the overscan's
// rows, which tells it from an offset that wanders.
const extRows = "OVERSCAN_ROWS"

// rowPatterns makes that table; there is none without an overscan.
func (s *frameSet) rowPatterns() []table {
	var amps, rows []int32
	var mean, variance []float32
	for a, amp := range s.sensor.Amps {
		if len(s.set[0].departures[a]) == 0 {
			continue
		}
		frames := make([][]float32, len(s.set))
		for i, f := range s.set {
			frames[i] = f.departures[a]
		}
		p := calib.NewRowPattern(frames)
		mean, variance = append(mean, p.Mean...), append(variance, p.Variance...)
		for y := range p.Mean {
			amps, rows = append(amps, int32(a+1)), append(rows, int32(amp.Overscan.Y0+y+1))
		}
	}
	if len(rows) == 0 {
		return nil
	}
	return []table{{name: extRows, comment: "Fixed pattern of the overscan's rows about the smoothed offset.", columns: []fitsutil.Column{
		{Name: "AMPLIFIER", Data: amps}, {Name: "ROW", Data: rows},
		{Name: "PATTERN", Unit: "adu", Data: mean}, {Name: "VARIANCE", Unit: "adu2", Data: variance},
	}}}
}

// rowPatterns reads the pattern of each amplifier's overscan rows; nil where the
// master does not tell it.
func (r *planeReader) rowPatterns(s *calib.Sensor) []*calib.RowPattern {
	out := make([]*calib.RowPattern, len(s.Amps))
	if r.err != nil {
		return out
	}
	h, err := r.file.Find(extRows)
	if err != nil {
		return out
	}
	t, err := r.file.ReadTable(h)
	if err != nil {
		r.err = err
		return out
	}
	var amps []int32
	var mean, variance []float32
	for _, c := range t.Columns {
		switch c.Name {
		case "AMPLIFIER":
			amps, _ = c.Data.([]int32)
		case "PATTERN":
			mean, _ = c.Data.([]float32)
		case "VARIANCE":
			variance, _ = c.Data.([]float32)
		}
	}
	if len(mean) != len(amps) || len(variance) != len(amps) {
		r.err = fmt.Errorf("table %s lacks columns AMPLIFIER, PATTERN or VARIANCE", extRows)
		return out
	}
	for i, a := range amps {
		if a < 1 || int(a) > len(out) {
			r.err = fmt.Errorf("table %s has an amplifier %d and the profile has %d: the master was made with another profile", extRows, a, len(out))
			return out
		}
		if out[a-1] == nil {
			out[a-1] = &calib.RowPattern{}
		}
		p := out[a-1]
		p.Mean, p.Variance = append(p.Mean, mean[i]), append(p.Variance, variance[i])
	}
	for a, p := range out {
		if rows := s.Amps[a].Overscan.Height(); p != nil && len(p.Mean) != rows {
			r.err = fmt.Errorf("table %s has %d rows of amplifier %s and the profile has %d: the master was made with another profile", extRows, len(p.Mean), s.Amps[a].Name, rows)
		}
	}
	return out
}
