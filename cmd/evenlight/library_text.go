package main

import (
	"fmt"
	"strings"
	"time"

	"evenlight/pipeline"
)

// text writes a library for people.
func (v *libraryView) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %d masters and characterisations\n", v.Folder, len(v.Entries))
	if v.Required != nil {
		fmt.Fprintf(&b, "only accepted ones serve, required by %s on %s: %s\n", v.Required.By, v.Required.At.UTC().Format(time.DateTime), v.Required.Why)
	}
	for i := range v.Entries {
		writeEntryLine(&b, &v.Entries[i])
	}
	for _, u := range v.Unreadable {
		fmt.Fprintf(&b, "unreadable: %s\n", u)
	}
	for _, n := range v.Torn {
		fmt.Fprintf(&b, "%s, line %d was cut off: whoever decided was told that it failed\n", pipeline.DecisionsFile, n)
	}
	return b.String()
}

func writeEntryLine(b *strings.Builder, e *pipeline.Entry) {
	state := e.State
	if e.Barred != "" && state == pipeline.StateUndecided {
		state = "not accepted"
	}
	if len(e.SupersededBy) > 0 && e.Barred == "" {
		state += ", superseded"
	}
	fmt.Fprintf(b, "  %.12s  %-21s %s  %s\n", e.SHA256, state, e.Begin.Format(time.DateOnly), e.Name)
}

func entriesText(entries []pipeline.Entry) string {
	var b strings.Builder
	for i := range entries {
		writeEntry(&b, &entries[i])
	}
	return b.String()
}

// writeEntry writes all that was decided about a content.
func writeEntry(b *strings.Builder, e *pipeline.Entry) {
	name := e.Name
	if name == "" {
		name = "not in the library"
	}
	fmt.Fprintf(b, "%s\n  sha256      %s\n", name, e.SHA256)
	if e.Kind == "" {
		fmt.Fprintf(b, "  file        none of this content is in the library\n")
	} else {
		fmt.Fprintf(b, "  what        %s\n  exposures   %s to %s", placeText(e), e.Begin.Format(time.DateTime), e.End.Format(time.DateTime))
		if e.Frames > 0 {
			fmt.Fprintf(b, ", %d frames", e.Frames)
		}
		fmt.Fprintln(b)
	}
	if e.Identity != "" {
		fmt.Fprintf(b, "  identity    %s, in profiles and products\n", e.Identity)
	}
	fmt.Fprintf(b, "  state       %s\n", e.State)
	if !e.From.IsZero() || !e.To.IsZero() {
		fmt.Fprintf(b, "  serves      frames %s\n", spanText(e.From, e.To))
	}
	for _, sha := range e.Supersedes {
		fmt.Fprintf(b, "  supersedes  %s\n", sha)
	}
	for _, sha := range e.SupersededBy {
		fmt.Fprintf(b, "  superseded  by %s\n", sha)
	}
	if e.Barred != "" && e.Kind == pipeline.KindCharacterisation {
		fmt.Fprintf(b, "  it %s; profiles that name it use it until they name another\n", e.Barred)
	} else if e.Barred != "" {
		fmt.Fprintf(b, "  serves no frame: it %s\n", e.Barred)
	}
	for i := range e.Decisions {
		d := &e.Decisions[i]
		fmt.Fprintf(b, "  %s %s by %s: %s\n", d.At.UTC().Format(time.DateTime), d.What, d.By, d.Why)
	}
}

func spanText(from, to time.Time) string {
	var words []string
	if !from.IsZero() {
		words = append(words, "from "+from.UTC().Format(time.DateTime))
	}
	if !to.IsZero() {
		words = append(words, "to before "+to.UTC().Format(time.DateTime))
	}
	return strings.Join(words, " ")
}

// usedText writes entries with what was made with them.
func usedText(views []usedView) string {
	var b strings.Builder
	for i := range views {
		v := &views[i]
		writeEntry(&b, &v.Entry)
		if v.Kind == pipeline.KindCharacterisation {
			writeSensorUses(&b, v)
			continue
		}
		fmt.Fprintf(&b, "  masters made with it: %d", len(v.Masters))
		if len(v.Masters) > 0 && v.State == pipeline.StateWithdrawn {
			fmt.Fprintf(&b, "; they serve until they are withdrawn themselves")
		}
		fmt.Fprintln(&b)
		for _, m := range v.Masters {
			fmt.Fprintf(&b, "    %-10s %s\n", m.Kind, m.Path)
		}
		if len(v.Looked) == 0 {
			fmt.Fprintf(&b, "  products made with it: not looked for; name their folder with --products, or the archive\n")
			continue
		}
		direct := 0
		for _, u := range v.Products {
			if u.Through == "" {
				direct++
			}
		}
		fmt.Fprintf(&b, "  products made with it: %d, of them %d directly, in %s\n", len(v.Products), direct, strings.Join(v.Looked, ", "))
		for _, u := range v.Products {
			fmt.Fprintf(&b, "    %s", u.Product)
			if u.Through != "" {
				fmt.Fprintf(&b, " (through %s)", u.Through)
			}
			fmt.Fprintln(&b)
		}
	}
	return b.String()
}

// writeSensorUses writes which products took the figures of a characterisation.
func writeSensorUses(b *strings.Builder, v *usedView) {
	if len(v.Looked) == 0 {
		fmt.Fprintf(b, "  products whose profile took it: not looked for; name their folder with --products\n")
		return
	}
	fmt.Fprintf(b, "  products whose profile took it: %d, in %s\n", len(v.Products), strings.Join(v.Looked, ", "))
	for _, u := range v.Products {
		fmt.Fprintf(b, "    %s\n", u.Product)
	}
}

// choicesText writes which masters frames would be made with.
func choicesText(all []pipeline.Choice) string {
	var b strings.Builder
	for i := range all {
		c := &all[i]
		fmt.Fprintf(&b, "%s  detector %s  %s\n", c.Raw, c.Detector, c.Time.Format(time.DateTime))
		for _, m := range c.Masters {
			fmt.Fprintf(&b, "  %-10s %.12s  %s\n", m.Role, m.SHA256, m.Name)
		}
		if c.Missing != "" {
			fmt.Fprintf(&b, "  %s\n", c.Missing)
		}
	}
	return b.String()
}
