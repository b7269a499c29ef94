package pipeline

import (
	"path/filepath"
	"sync"
	"testing"

	"evenlight/calib"
	"evenlight/configs"
)

// Masters that do not all fit are loaded and dropped by many at once; the
// bytes in use are those of the masters that are there.
func TestMastersAreCachedForManyAtOnce(t *testing.T) {
	dir := t.TempDir()
	in := tinyInstrument(t)
	var masters []*Master
	for _, name := range []string{"a", "b", "c", "d"} {
		masters = append(masters, tinyBias(t, in, filepath.Join(dir, name+".fits")))
	}
	s := in.sensors[0]
	one, err := loadMaster(masters[0], s, forStages)
	if err != nil {
		t.Fatal(err)
	}
	c := newMasterCache(2 * one.bytes())
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			for k := range 40 {
				m := masters[(i+k)%len(masters)]
				l, err := c.get(m, s)
				if err != nil || l.Path != m.Path || len(l.plane.Value) != s.Image.Width()*s.Image.Height() {
					t.Errorf("master %s: %v", m.Name(), err)
				}
			}
		})
	}
	all.Wait()
	used := int64(0)
	for e := c.order.Front(); e != nil; e = e.Next() {
		used += e.Value.(*cached).l.bytes()
	}
	if c.used != used || used > 2*one.bytes() {
		t.Errorf("%d bytes are counted and %d are there, of %d", c.used, used, 2*one.bytes())
	}
}

// tinyInstrument is the demo camera with an image of a few pixels.
func tinyInstrument(t *testing.T) *Instrument {
	t.Helper()
	text, err := configs.Builtin("quillon")
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse("quillon", text, configs.Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	in := NewInstrument(p)
	in.sensors[0] = &calib.Sensor{Width: 8, Height: 6, Image: calib.Region{X1: 8, Y1: 6}, Amps: []calib.Amplifier{{Name: "a", Region: calib.Region{X1: 8, Y1: 6}}}}
	return in
}

func tinyBias(t *testing.T, in *Instrument, path string) *Master {
	t.Helper()
	v := make([]float32, 8*6)
	c := &masterContent{width: 8, height: 6, profile: in.Profile.Canonical(),
		planes: []plane{{name: "VALUE", float: v}, {name: "VARIANCE", float: v}},
		info:   Master{Kind: MasterBias, Instrument: "quillon", Detector: "main", Path: path},
		record: Provenance{Software: Software, Version: Version, ProfileHash: in.Hash}}
	if err := c.write(path); err != nil {
		t.Fatal(err)
	}
	m, err := readMaster(path)
	if err != nil {
		t.Fatal(err)
	}
	return m
}
