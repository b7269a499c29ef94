package pipeline

import (
	"net/url"
	"strings"
)

// headerName writes a file name so that a header can hold it: every byte that
// is not printable ASCII, the percent sign, and the semicolon, which separates
// the parameters of a stage, become % and two digits (RFC 3986, section 2.1).
func headerName(name string) string {
	const digits = "0123456789ABCDEF"
	var b strings.Builder
	for i := range len(name) {
		c := name[i]
		if c < ' ' || c > '~' || c == '%' || c == ';' {
			b.WriteString("%" + string(digits[c>>4]) + string(digits[c&15]))
			continue
		}
		b.WriteByte(c)
	}
	return b.String()
}

// nameInHeader undoes headerName. A name that was not written so is returned as
// it is.
func nameInHeader(text string) string {
	name, err := url.PathUnescape(text)
	if err != nil {
		return text
	}
	return name
}
