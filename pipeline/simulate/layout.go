package simulate

import (
	"fmt"
	"strconv"
	"strings"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// Values of BITPIX, FITS Standard 4.0, table 8.
const (
	bitpixBytes   = 8
	bitpixInt16   = 16
	bitpixFloat32 = -32
)

// frameHDU is one HDU of a raw frame's file; the first is the primary.
type frameHDU struct {
	sensor  int    // number of the sensor whose samples it holds, or noSensor
	name    string // EXTNAME
	version int64  // EXTVER; 0: no such card
}

const noSensor = -1

// layOut finds the HDUs of a raw frame, so that each detector's samples are
// where the profile looks for them. HDUs asked for by number come first, and
// those asked for by name fill the places left.
func layOut(sensors []*Sensor) ([]frameHDU, error) {
	hdus := []frameHDU{{sensor: noSensor}}
	for i, s := range sensors {
		number, byNumber := hduNumber(s.Detector.HDU)
		if !byNumber {
			continue
		}
		for len(hdus) <= number {
			hdus = append(hdus, frameHDU{sensor: noSensor})
		}
		if other := hdus[number].sensor; other != noSensor {
			return nil, fmt.Errorf("detectors %s and %s are both in HDU %d; give each an hdu of its own in the profile",
				sensors[other].Detector.Name, s.Detector.Name, number)
		}
		hdus[number].sensor = i
	}
	for i, s := range sensors {
		if _, byNumber := hduNumber(s.Detector.HDU); byNumber {
			continue
		}
		own, err := namedHDU(s.Detector.HDU)
		if err != nil {
			return nil, fmt.Errorf("detector %s: %w", s.Detector.Name, err)
		}
		own.sensor = i
		hdus = placeNamed(hdus, own)
	}
	return hdus, nil
}

// hduNumber returns the number that a profile's hdu stands for. The first HDU
// that holds an image, asked for by no word at all, is the primary.
func hduNumber(hdu string) (int, bool) {
	if hdu == "" {
		return 0, true
	}
	n, err := strconv.Atoi(hdu)
	return n, err == nil && n >= 0
}

func namedHDU(hdu string) (frameHDU, error) {
	name, version, hasVersion := strings.Cut(hdu, ",")
	own := frameHDU{name: strings.TrimSpace(name)}
	if !hasVersion {
		return own, nil
	}
	n, err := strconv.ParseInt(strings.TrimSpace(version), 10, 64)
	if err != nil || n < 1 {
		return frameHDU{}, fmt.Errorf("hdu is %q; write NAME or NAME,VERSION with a version from 1 on", hdu)
	}
	own.version = n
	return own, nil
}

// placeNamed puts a named HDU in the first free extension.
func placeNamed(hdus []frameHDU, own frameHDU) []frameHDU {
	for i := 1; i < len(hdus); i++ {
		if hdus[i].sensor == noSensor {
			hdus[i] = own
			return hdus
		}
	}
	return append(hdus, own)
}

// nameIn writes the HDU's name and version into its header.
func (f *frameHDU) nameIn(h *fitsutil.Header) error {
	if f.name == "" {
		return nil
	}
	if err := h.Set("EXTNAME", f.name, "detector"); err != nil {
		return err
	}
	if f.version == 0 {
		return nil
	}
	return h.Set("EXTVER", f.version, "")
}

// writeSamples writes raw samples as unsigned 16-bit integers, which FITS
// Standard 4.0 holds as signed ones with BZERO 32768 (4.4.2.5, table 11).
func writeSamples(w *fitsutil.Writer, h *fitsutil.Header, d *configs.Detector, samples []uint16) error {
	if err := setAll(h, cards{
		{"BZERO", int64(32768), "samples are unsigned"},
		{"BSCALE", int64(1), ""},
		{"BUNIT", "adu", "raw code of the converter"},
	}); err != nil {
		return err
	}
	image, err := w.AddImage(h, bitpixInt16, d.Width, d.Height)
	if err != nil {
		return err
	}
	data := make([]byte, 2*len(samples))
	fitsutil.EncodeUint16Offset(data, samples)
	return image.WriteRows(0, 0, d.Height, data)
}

func setAll(h *fitsutil.Header, all cards) error {
	for _, c := range all {
		if err := h.Set(c.key, c.value, c.comment); err != nil {
			return err
		}
	}
	return nil
}
