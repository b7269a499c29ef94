package alert_test

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"evenlight/pipeline/alert"
	"evenlight/pipeline/ledger"
)

var sender = alert.Sender{Host: "gull", Software: "evenlight", Version: "1"}

func keeper(l *ledger.Ledger) (*alert.Keeper, *observer.ObservedLogs) {
	core, logs := observer.New(zapcore.DebugLevel)
	return &alert.Keeper{Ledger: l, Log: zap.New(core), Repeat: 24 * time.Hour, Sender: &sender}, logs
}

// told takes the events of the log, as in "alert-raised quiet instrument=quillon".
func told(logs *observer.ObservedLogs) []string {
	var all []string
	for _, e := range logs.TakeAll() {
		f := e.ContextMap()
		all = append(all, e.Message+" "+f["rule"].(string)+" "+f["subject"].(string))
	}
	return all
}

var (
	quiet = alert.Finding{Rule: "quiet", Subject: "instrument=quillon", Message: "no new frame", Since: start.Add(-time.Hour)}
	room  = alert.Finding{Rule: "room", Subject: "folder=products", Message: "1 GiB is left"}
)

// at is a time some hours after the start.
func at(hours float64) time.Time { return start.Add(time.Duration(hours * float64(time.Hour))) }

func TestAlertIsToldOnceRepeatedAndCleared(t *testing.T) {
	unjudged := alert.Finding{Rule: "room", Subject: alert.SubjectRule, Message: "the rule cannot be judged", Unjudged: true}
	type pass struct {
		hours float64
		found []alert.Finding
		want  []string
	}
	tests := []struct {
		name   string
		passes []pass
	}{
		{"raised once, repeated after the interval, cleared", []pass{
			{0, []alert.Finding{quiet}, []string{"alert-raised quiet instrument=quillon"}},
			{1, []alert.Finding{quiet}, nil},
			{23.9, []alert.Finding{quiet}, nil},
			{24, []alert.Finding{quiet}, []string{"alert-repeated quiet instrument=quillon"}},
			{47, []alert.Finding{quiet}, nil},
			{48.1, []alert.Finding{quiet}, []string{"alert-repeated quiet instrument=quillon"}},
			{49, nil, []string{"alert-cleared quiet instrument=quillon"}},
			{50, nil, nil},
			{51, []alert.Finding{quiet}, []string{"alert-raised quiet instrument=quillon"}},
		}},
		{"each by itself", []pass{
			{0, []alert.Finding{quiet}, []string{"alert-raised quiet instrument=quillon"}},
			{1, []alert.Finding{quiet, room}, []string{"alert-raised room folder=products"}},
			{2, []alert.Finding{room}, []string{"alert-cleared quiet instrument=quillon"}},
		}},
		{"the same finding twice", []pass{{0, []alert.Finding{quiet, quiet}, []string{"alert-raised quiet instrument=quillon"}}}},
		{"clock set back by years, then on", []pass{
			{30000, []alert.Finding{quiet}, []string{"alert-raised quiet instrument=quillon"}},
			{0, []alert.Finding{quiet}, []string{"alert-repeated quiet instrument=quillon"}},
			{1, []alert.Finding{quiet}, nil},
			{24, []alert.Finding{quiet}, []string{"alert-repeated quiet instrument=quillon"}},
		}},
		{"clock set back by less than the interval", []pass{
			{10, []alert.Finding{quiet}, []string{"alert-raised quiet instrument=quillon"}},
			{0, []alert.Finding{quiet}, nil},
			{33, []alert.Finding{quiet}, nil},
			{34, []alert.Finding{quiet}, []string{"alert-repeated quiet instrument=quillon"}},
		}},
		{"a rule that cannot be judged clears nothing of its own", []pass{
			{0, []alert.Finding{quiet, room}, []string{"alert-raised quiet instrument=quillon", "alert-raised room folder=products"}},
			{1, []alert.Finding{unjudged}, []string{"alert-raised room rule", "alert-cleared quiet instrument=quillon"}},
			{2, []alert.Finding{room}, []string{"alert-cleared room rule"}},
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			l := newLedger(t)
			k, logs := keeper(l)
			for _, p := range test.passes {
				_, err := k.Update(context.Background(), p.found, at(p.hours))
				must(t, err)
				if got := told(logs); !slices.Equal(got, p.want) {
					t.Errorf("after %v hours %q, want %q", p.hours, got, p.want)
				}
			}
		})
	}
}

func TestSummaryCountsAndListsWhatHolds(t *testing.T) {
	k, _ := keeper(newLedger(t))
	update := func(hours float64, found ...alert.Finding) alert.Summary {
		s, err := k.Update(context.Background(), found, at(hours))
		must(t, err)
		return s
	}
	if s := update(0, quiet, room); s.Raised != 2 || s.Repeated+s.Cleared != 0 || len(s.Holding) != 2 || s.Holding[0].Rule != "quiet" || s.Holding[1].Rule != "room" {
		t.Errorf("raised: %+v", s)
	}
	later := quiet
	later.Message = "no new frame for longer still"
	s := update(30, later)
	if s.Raised != 0 || s.Repeated != 1 || s.Cleared != 1 || len(s.Holding) != 1 {
		t.Fatalf("repeated and cleared: %+v", s)
	}
	if a := s.Holding[0]; a.Message != later.Message || !a.First.Equal(at(0)) || !a.Last.Equal(at(30)) || !a.Told.Equal(at(30)) {
		t.Errorf("holding %+v", a)
	}
}

func TestEventAndPostSayTheSame(t *testing.T) {
	l := newLedger(t)
	k, logs := keeper(l)
	for i, found := range [][]alert.Finding{{quiet, room}, {quiet, room}, nil} {
		_, err := k.Update(context.Background(), found, at(30*float64(i)))
		must(t, err)
	}
	posts, err := l.Posts(context.Background())
	must(t, err)
	events := logs.TakeAll()
	if len(posts) != 6 || len(events) != 6 {
		t.Fatalf("%d posts, %d events", len(posts), len(events))
	}
	levels := map[string]zapcore.Level{alert.EventRaised: zapcore.WarnLevel, alert.EventRepeated: zapcore.WarnLevel, alert.EventCleared: zapcore.InfoLevel}
	for i, e := range events {
		var b alert.Body
		must(t, json.Unmarshal([]byte(posts[i].Body), &b))
		fields := e.ContextMap()
		for name, post := range map[string]string{"rule": b.Rule, "subject": b.Subject, "message": b.Message, "since": b.Since, "first": b.First} {
			if fields[name] != post {
				t.Errorf("event %d: %s is %v in the log and %s in the post", i, name, fields[name], post)
			}
		}
		if b.Event != e.Message || e.Level != levels[b.Event] || b.Host != "gull" || b.Software != "evenlight" || b.Version != "1" || b.First != "2031-04-05T06:00:00Z" {
			t.Errorf("event %d: %+v", i, b)
		}
	}
	var raised, about alert.Body
	must(t, json.Unmarshal([]byte(posts[0].Body), &raised))
	must(t, json.Unmarshal([]byte(posts[3].Body), &about))
	if raised.Since != "2031-04-05T05:00:00Z" || about.Since != "2031-04-05T06:00:00Z" || about.At != "2031-04-06T12:00:00Z" {
		t.Errorf("since is %s by the data, and %s where the data do not tell", raised.Since, about.Since)
	}
}

func TestWithoutSenderNothingIsQueued(t *testing.T) {
	l := newLedger(t)
	k, logs := keeper(l)
	k.Sender = nil
	_, err := k.Update(context.Background(), []alert.Finding{quiet}, at(0))
	must(t, err)
	posts, err := l.Posts(context.Background())
	must(t, err)
	if len(posts) != 0 || logs.Len() != 1 {
		t.Errorf("%d posts, %d events", len(posts), logs.Len())
	}
}

func TestWithoutIntervalNothingIsRepeated(t *testing.T) {
	k, logs := keeper(newLedger(t))
	k.Repeat = 0
	for _, h := range []float64{0, 1, 100000} {
		_, err := k.Update(context.Background(), []alert.Finding{quiet}, at(h))
		must(t, err)
	}
	if logs.Len() != 1 {
		t.Errorf("told %q", told(logs))
	}
}

// A process that is killed after an alert was recorded and before people were
// told of it leaves it untold.
func TestAlertThatWasRecordedButNotToldIsTold(t *testing.T) {
	l := newLedger(t)
	k, logs := keeper(l)
	_, err := l.RaiseAlert(context.Background(), quiet.Rule, quiet.Subject, quiet.Message, at(0))
	must(t, err)
	_, err = l.RaiseAlert(context.Background(), room.Rule, room.Subject, room.Message, at(0))
	must(t, err)
	_, err = k.Update(context.Background(), []alert.Finding{quiet}, at(1)) // room is well again
	must(t, err)
	want := []string{"alert-raised quiet instrument=quillon", "alert-raised room folder=products", "alert-cleared room folder=products"}
	if got := told(logs); !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
}

func TestAlertIsToldThoughLedgerCannotNoteIt(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := openAt(t, path)
	k, logs := keeper(l)
	k.Sender = nil
	other, err := sql.Open("sqlite", path)
	must(t, err)
	defer other.Close()
	other.SetMaxOpenConns(1)
	_, err = other.Exec("BEGIN IMMEDIATE") // and holds the ledger
	must(t, err)
	if _, err := k.Update(context.Background(), []alert.Finding{quiet}, at(0)); !errors.Is(err, ledger.ErrLocked) {
		t.Errorf("error %v", err)
	}
	_, err = other.Exec("ROLLBACK")
	must(t, err)
	_, err = k.Update(context.Background(), []alert.Finding{quiet}, at(1))
	must(t, err)
	_, err = k.Update(context.Background(), []alert.Finding{quiet}, at(2))
	must(t, err)
	want := []string{"alert-raised quiet instrument=quillon", "alert-raised quiet instrument=quillon"}
	if got := told(logs); !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
}
