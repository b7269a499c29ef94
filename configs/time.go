package configs

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"time"
)

// Forms in which a header can give a time.
const (
	timeISO8601 = "iso8601" // FITS Standard 4.0, 9.1.1
	timeUnixS   = "unix_s"  // s since 1970-01-01T00:00:00 UTC
	timeUnixMS  = "unix_ms" // ms since then
	timeJD      = "jd"      // Julian date, days
	timeMJD     = "mjd"     // JD - 2400000.5
)

func timeForms() []string {
	return []string{timeISO8601, timeUnixS, timeUnixMS, timeJD, timeMJD}
}

// The Unix epoch, 1970-01-01T00:00:00, in the two counts of days; both numbers
// are exact (MJD = JD - 2400000.5: FITS Standard 4.0, 9.1; from memory).
const (
	unixEpochJD  = 2_440_587.5
	unixEpochMJD = 40_587
)

// read gives the time at which the exposure began, UTC.
func (k *TimeKey) read(h HeaderValues) (time.Time, error) {
	raw, ok := present(h, k.Key)
	if !ok {
		return time.Time{}, &HeaderError{k.Key, "is absent, and the time of the frame comes from it",
			"check that the frame is from this camera; masters are chosen by time"}
	}
	t, err := parseTime(raw, k.Form)
	if err != nil {
		return time.Time{}, &HeaderError{k.Key, fmt.Sprintf("its value %s is no time of the form %s: %v", valueText(raw), k.Form, err),
			"check the frame, and keywords.time in the profile"}
	}
	return t, nil
}

func parseTime(raw any, form string) (time.Time, error) {
	if form == timeISO8601 {
		text, ok := raw.(string)
		if !ok {
			return time.Time{}, fmt.Errorf("it is a %T, not a text", raw)
		}
		return parseISO8601(text)
	}
	if whole, ok := raw.(int64); ok && form == timeUnixMS {
		return inYears(time.UnixMilli(whole).UTC())
	}
	x, ok := numberOf(raw)
	if !ok {
		return time.Time{}, fmt.Errorf("it is not a number")
	}
	switch form {
	case timeUnixS:
		return sinceEpoch(x, 1)
	case timeUnixMS:
		return sinceEpoch(x, 1e-3)
	case timeJD:
		return sinceEpoch(x-unixEpochJD, 86_400)
	default:
		return sinceEpoch(x-unixEpochMJD, 86_400)
	}
}

// sinceEpoch gives the time so many units after the Unix epoch. Whole units
// are set apart before the scaling, so that no digit of the number is lost. In
// our century a float64 holds a Julian date to 20 us and an MJD to 0.3 us.
func sinceEpoch(x, unitS float64) (time.Time, error) {
	if math.Abs(x*unitS) > 1e12 { // beyond the year 9999, and near the end of int64
		return time.Time{}, fmt.Errorf("it lies outside the years 1 to 9999")
	}
	whole, part := math.Modf(x)
	var s, rest float64
	if unitS >= 1 {
		s, rest = whole*unitS, part*unitS
	} else {
		perSecond := math.Round(1 / unitS)
		s = math.Floor(whole / perSecond)
		rest = (whole - s*perSecond + part) / perSecond
	}
	return inYears(time.Unix(int64(s), int64(math.Round(rest*1e9))).UTC())
}

// The years of times that an archive can hold: those whose nanoseconds since
// 1970 fit into 64 bits.
const firstYear, lastYear = 1678, 2261

// inYears refuses times that no camera can mean.
func inYears(t time.Time) (time.Time, error) {
	if t.Year() < firstYear || t.Year() > lastYear {
		return time.Time{}, fmt.Errorf("it lies outside the years %d to %d", firstYear, lastYear)
	}
	return t, nil
}

// isoTime is the form of FITS Standard 4.0, 9.1.1, without the signed
// five-digit years; a Z at the end, which the Standard leaves out, is let pass.
var isoTime = regexp.MustCompile(`^([0-9]{4}-[0-9]{2}-[0-9]{2})(T([0-9]{2}:[0-9]{2}):([0-9]{2})(\.[0-9]+)?Z?)?$`)

// parseISO8601 reads a date, or a date and time to the nanosecond. Digits
// beyond are dropped. In a leap second, 23:59:60, the count goes on into the
// next day, since UTC in Go has no such second.
func parseISO8601(text string) (time.Time, error) {
	m := isoTime.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return time.Time{}, fmt.Errorf("write it as 2031-05-17 or 2031-05-17T08:09:10.5")
	}
	date, clock, second, fraction := m[1], m[3], m[4], m[5]
	if clock == "" {
		clock, second = "00:00", "00"
	}
	leap := time.Duration(0)
	if clock == "23:59" && second == "60" {
		second, leap = "59", time.Second
	}
	t, err := time.Parse("2006-01-02T15:04:05.999999999", date+"T"+clock+":"+second+fraction)
	if err != nil {
		return time.Time{}, fmt.Errorf("there is no such date and time")
	}
	return inYears(t.Add(leap).UTC())
}
