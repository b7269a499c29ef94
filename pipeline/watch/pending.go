package watch

import "time"

// mostPending is how many folders are told one by one: beyond, reading
// everything is no more work than going through the list.
const mostPending = 4096

// pending holds what happened and has not been told yet. The zero value holds
// nothing. Times are compared by their monotonic part.
type pending struct {
	everything string          // why everything is to be looked at; empty: it is not
	folders    []gathering     // else these are, in the order in which they are due
	known      map[string]bool // of them
	lookAt     time.Time       // events were lost: look at everything then; zero: none were
}

// gathering is a folder whose changes are gathered for a while.
type gathering struct {
	folder string
	due    time.Time
}

// add says that something happened in a folder.
func (p *pending) add(folder string, now time.Time) {
	if p.everything != "" || p.known[folder] {
		return
	}
	if len(p.folders) >= mostPending {
		p.all(WhyMany)
		return
	}
	if p.known == nil {
		p.known = map[string]bool{}
	}
	p.known[folder] = true
	p.folders = append(p.folders, gathering{folder, now.Add(gather)})
}

// all says that everything is to be looked at, which includes what else is
// pending.
func (p *pending) all(why string) {
	*p = pending{everything: why}
}

// lost says that events were lost. They are looked for after a while: whatever
// floods the queue mostly goes on.
func (p *pending) lost(now time.Time) {
	if p.lookAt.IsZero() {
		p.lookAt = now.Add(gather)
	}
}

// mustLook tells whether it is time to look for events that were lost.
func (p *pending) mustLook(now time.Time) bool {
	return !p.lookAt.IsZero() && !now.Before(p.lookAt)
}

// next returns what is to be told now, if there is something.
func (p *pending) next(now time.Time) (Change, bool) {
	if p.everything != "" {
		return Change{Why: p.everything}, true
	}
	if len(p.folders) > 0 && !now.Before(p.folders[0].due) {
		return Change{Folder: p.folders[0].folder, Why: WhyChanged}, true
	}
	return Change{}, false
}

// told takes away what next returned.
func (p *pending) told() {
	if p.everything != "" {
		p.everything = ""
		return
	}
	delete(p.known, p.folders[0].folder)
	if p.folders = p.folders[1:]; len(p.folders) == 0 {
		p.folders = nil // frees the memory of those that were told
	}
}

// wait returns how long it is until something becomes due that is not yet.
func (p *pending) wait(now time.Time) (time.Duration, bool) {
	var due time.Time
	if len(p.folders) > 0 && now.Before(p.folders[0].due) {
		due = p.folders[0].due
	}
	if !p.lookAt.IsZero() && (due.IsZero() || p.lookAt.Before(due)) {
		due = p.lookAt
	}
	return max(0, due.Sub(now)), !due.IsZero()
}
