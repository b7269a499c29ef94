package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"evenlight/pipeline/ledger"
)

// Names of log events. They are stable.
const (
	EventRaised        = "alert-raised"
	EventRepeated      = "alert-repeated"
	EventCleared       = "alert-cleared"
	EventWebhookSent   = "webhook-sent"
	EventWebhookFailed = "webhook-failed"
)

// Sender says who speaks in a post.
type Sender struct{ Host, Software, Version string }

// Keeper tells people of findings, once.
type Keeper struct {
	Ledger *ledger.Ledger
	Log    *zap.Logger
	// Repeat is the time between reminders of what still holds; 0: none.
	Repeat time.Duration
	// Sender, if set, makes each event a post for [Deliver] as well.
	Sender *Sender
}

// Summary is what a pass of a [Keeper] came to.
type Summary struct {
	Raised, Repeated, Cleared int
	Holding                   []ledger.Alert // after the pass, in the order in which they were raised
}

// subject is what an alert is known by.
type subject struct{ rule, subject string }

// Update makes the ledger's alerts those of the findings, and tells people what
// changed. What the ledger cannot note is told all the same, and then told
// again by the next pass; the error says what could not be noted.
func (k *Keeper) Update(ctx context.Context, findings []Finding, now time.Time) (Summary, error) {
	before, err := k.Ledger.Alerts(ctx, false)
	if err != nil {
		return Summary{}, err
	}
	p := &pass{Keeper: k, now: now, held: map[subject]*ledger.Alert{}, found: map[subject]bool{}, unjudged: map[string]bool{}}
	for i := range before {
		p.held[subject{before[i].Rule, before[i].Subject}] = &before[i]
	}
	err = p.compare(ctx, findings, before)
	if ctx.Err() != nil {
		return p.Summary, ctx.Err()
	}
	var listErr error
	p.Holding, listErr = k.Ledger.Alerts(ctx, false)
	return p.Summary, errors.Join(err, listErr)
}

// pass is one comparison of findings with alerts.
type pass struct {
	*Keeper
	Summary
	now      time.Time
	held     map[subject]*ledger.Alert // before
	found    map[subject]bool
	unjudged map[string]bool // rules
}

// compare goes on after a failure, but not after the end of its context.
func (p *pass) compare(ctx context.Context, findings []Finding, before []ledger.Alert) error {
	var errs []error
	for i := 0; i < len(findings) && ctx.Err() == nil; i++ {
		errs = append(errs, p.hold(ctx, &findings[i]))
	}
	for i := 0; i < len(before) && ctx.Err() == nil; i++ {
		errs = append(errs, p.clearIfGone(ctx, &before[i]))
	}
	return errors.Join(errs...)
}

// hold raises an alert, or renews the one that holds.
func (p *pass) hold(ctx context.Context, f *Finding) error {
	key := subject{f.Rule, f.Subject}
	if p.found[key] {
		return nil
	}
	p.found[key] = true
	if f.Unjudged {
		p.unjudged[f.Rule] = true
	}
	_, noteErr := p.Ledger.RaiseAlert(ctx, f.Rule, f.Subject, f.Message, p.now)
	event, count, first := EventRaised, &p.Raised, p.now
	if a := p.held[key]; a != nil {
		first = a.First
		if !a.Told.IsZero() {
			if !p.isDue(a.Told) {
				return noteErr
			}
			event, count = EventRepeated, &p.Repeated
		}
	}
	*count++
	tellErr := p.tell(ctx, event, f, first)
	if noteErr != nil || tellErr != nil {
		return errors.Join(noteErr, tellErr)
	}
	return p.Ledger.AlertTold(ctx, f.Rule, f.Subject, p.now)
}

// isDue tells whether it is time for a reminder. A clock that was set back
// leaves a last reminder that lies ahead: one that lies further ahead than a
// reminder could be is no reason to keep silent.
func (p *pass) isDue(told time.Time) bool {
	if p.Repeat <= 0 {
		return false
	}
	ago := p.now.Sub(told)
	return ago >= p.Repeat || ago < -p.Repeat
}

// clearIfGone clears an alert that no finding speaks of any more. Where its
// rule could not be judged, nobody knows, and it stays as it is.
func (p *pass) clearIfGone(ctx context.Context, a *ledger.Alert) error {
	if p.found[subject{a.Rule, a.Subject}] || p.unjudged[a.Rule] {
		return nil
	}
	was := &Finding{Rule: a.Rule, Subject: a.Subject, Message: a.Message}
	if a.Told.IsZero() {
		// The process ended before people were told that it was raised.
		p.Raised++
		if err := p.tell(ctx, EventRaised, was, a.First); err != nil {
			return err
		}
	}
	p.Cleared++
	if err := p.tell(ctx, EventCleared, was, a.First); err != nil {
		return err
	}
	_, err := p.Ledger.ClearAlert(ctx, a.Rule, a.Subject, p.now)
	return err
}

// tell writes the event to the log, and queues it for the webhook.
func (p *pass) tell(ctx context.Context, event string, f *Finding, first time.Time) error {
	since := f.Since
	if since.IsZero() {
		since = first
	}
	write := p.Log.Warn
	if event == EventCleared {
		write = p.Log.Info
	}
	write(event, zap.String("rule", f.Rule), zap.String("subject", f.Subject), zap.String("message", f.Message),
		zap.String("since", clock(since)), zap.String("first", clock(first)))
	if p.Sender == nil {
		return nil
	}
	body, err := json.Marshal(Body{Event: event, Rule: f.Rule, Subject: f.Subject, Message: f.Message, Since: clock(since), First: clock(first), At: clock(p.now),
		Host: p.Sender.Host, Software: p.Sender.Software, Version: p.Sender.Version})
	if err != nil {
		return fmt.Errorf("write the post about %s, %s: %w", f.Rule, f.Subject, err)
	}
	return p.Ledger.AddPost(ctx, string(body), p.now)
}

// Body is what is posted to a webhook, as JSON. Times are in UTC, as in
// 2031-04-05T06:07:08Z. A receiver must expect that a post comes twice; event,
// rule, subject and at are then the same.
type Body struct {
	Event    string `json:"event"`   // EventRaised, EventRepeated or EventCleared
	Rule     string `json:"rule"`    // its name in the configuration
	Subject  string `json:"subject"` // see the package comment
	Message  string `json:"message"` // for people
	Since    string `json:"since"`   // since when it is so, as far as data tell
	First    string `json:"first"`   // when it was first found
	At       string `json:"at"`      // when this was written
	Host     string `json:"host"`    // computer
	Software string `json:"software"`
	Version  string `json:"version"` // of the software
}
