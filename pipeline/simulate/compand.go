package simulate

import (
	"errors"
	"fmt"

	"evenlight/configs"
)

// codesOf returns the code of every DN of the converter, by the companding
// table of the profile: the code whose bin C[k] +- w_k/2 holds the DN, and
// the nearer bin where the table leaves a gap. Beyond its last bin the last
// code stands. It is nil for a detector without companding.
func codesOf(d *configs.Detector) ([]uint16, error) {
	if d.Decompanding == nil {
		return nil, nil
	}
	dn, width := d.Decompanding.Table()
	if len(dn) < 2 || len(dn) > 1<<16 || len(width) != len(dn) {
		return nil, errors.New("the companding table needs 2 to 65536 codes, each with a width; correct decompanding in the profile")
	}
	codes := make([]uint16, int(ceilingOf(d))+1)
	k := 0
	for v := range codes {
		for k+1 < len(dn) && float64(v) > (dn[k]+width[k]/2+dn[k+1]-width[k+1]/2)/2 {
			k++
		}
		codes[v] = uint16(k)
	}
	for k := range dn[1:] {
		if !(dn[k+1] > dn[k]) {
			return nil, fmt.Errorf("the companding table does not rise at code %d; correct decompanding in the profile", k+1)
		}
	}
	return codes, nil
}

// companded returns the code that is sent for a DN, and whether it is the
// last one, which tells no more than a lower bound.
func (s *Sensor) companded(dn uint16) (code uint16, last bool) {
	code = s.codes[dn]
	return code, code == s.lastCode
}

// lastCodeDN is the DN from which on only the last code is sent.
func lastCodeDN(d *configs.Decompanding) float64 {
	dn, width := d.Table()
	last := len(dn) - 1
	return dn[last] - width[last]/2
}
