package alert_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"evenlight/configs"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/ledger"
)

// secret is what must not be seen anywhere but in the header; hidden is part of
// the address that may not be seen either.
const (
	secret = "Tessaly-4711"
	hidden = "path-token"
)

// receiver answers with a status to each request and remembers it.
type receiver struct {
	*httptest.Server
	mu     sync.Mutex
	bodies []string
	heads  []http.Header
}

func (r *receiver) received() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.bodies)
}

func newReceiver(t *testing.T, answer func(n int, w http.ResponseWriter, r *http.Request)) *receiver {
	t.Helper()
	r := &receiver{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		if err != nil {
			t.Error(err)
		}
		r.mu.Lock()
		r.bodies, r.heads = append(r.bodies, string(body)), append(r.heads, q.Header)
		n := len(r.bodies)
		r.mu.Unlock()
		answer(n, w, q)
	}))
	t.Cleanup(r.Close)
	return r
}

// answering answers the n-th request with the n-th status, and later ones with
// the last.
func answering(statuses ...int) func(int, http.ResponseWriter, *http.Request) {
	return func(n int, w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(statuses[min(n, len(statuses))-1])
		// A receiver may well repeat what it was sent.
		fmt.Fprint(w, r.Header.Get("Authorization"))
	}
}

func hook(t *testing.T, address string) *configs.Webhook {
	t.Helper()
	file := filepath.Join(t.TempDir(), "secret")
	must(t, os.WriteFile(file, []byte(secret+"\n"), 0o600))
	return &configs.Webhook{URL: address + "/" + hidden + "?key=\"" + hidden, SecretFile: file, TimeoutS: 10, Tries: 3}
}

// rawReceiver answers a request with any bytes and returns its address.
func rawReceiver(t *testing.T, answer func(request string) string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return // it was closed
			}
			request := make([]byte, 64<<10)
			n, _ := c.Read(request)
			fmt.Fprint(c, answer(string(request[:n])))
			c.Close()
		}
	}()
	return "http://" + l.Addr().String()
}

func post(t testing.TB, l *ledger.Ledger, bodies ...string) {
	t.Helper()
	for _, b := range bodies {
		must(t, l.AddPost(context.Background(), b, start))
	}
}

func waiting(t *testing.T, l *ledger.Ledger) string {
	t.Helper()
	posts, err := l.Posts(context.Background())
	must(t, err)
	var bodies []string
	for _, p := range posts {
		bodies = append(bodies, p.Body)
	}
	return strings.Join(bodies, " ")
}

func watched() (*zap.Logger, *observer.ObservedLogs) {
	core, logs := observer.New(zapcore.DebugLevel)
	return zap.New(core), logs
}

// scan checks that no event shows a secret in any form.
func scan(t *testing.T, logs *observer.ObservedLogs) {
	t.Helper()
	encoder := zapcore.NewJSONEncoder(zap.NewProductionEncoderConfig())
	for _, e := range logs.All() {
		line, err := encoder.EncodeEntry(e.Entry, e.Context)
		must(t, err)
		for _, text := range []string{line.String(), fmt.Sprintf("%+v", e.ContextMap())} {
			if strings.Contains(text, secret) || strings.Contains(text, hidden) || strings.Contains(text, "Bearer") {
				t.Errorf("the log shows a secret: %s", text)
			}
		}
	}
}

func TestPostsAreDeliveredAsTheReceiverAnswers(t *testing.T) {
	tests := []struct {
		name     string
		statuses []int
		received string // bodies, in order
		left     string
		failed   []string // what the events webhook-failed say
	}{
		{"all is well", []int{200}, "a b", "", nil},
		{"any 2xx", []int{204, 202}, "a b", "", nil},
		{"well at the third try", []int{500, 503, 200}, "a a a b", "", nil},
		{"asked to wait", []int{429, 408, 200}, "a a a b", "", nil},
		{"never well", []int{500}, "a a a", "a b", []string{"500 Internal Server Error"}},
		{"not for long", []int{200, 502}, "a b b b", "b", []string{"502 Bad Gateway"}},
		{"redirect", []int{302}, "a", "a b", []string{"redirects are not followed"}},
		{"wrong secret", []int{401}, "a", "a b", []string{"check the secret"}},
		{"wrong address", []int{404}, "a", "a b", []string{"check alerts.webhook.url"}},
		{"one post is not taken", []int{422, 200}, "a b", "a", []string{"does not take this post"}},
		{"no post is taken", []int{400}, "a b", "a b", []string{"does not take this post", "does not take this post"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			elsewhere := newReceiver(t, answering(200))
			answer := answering(test.statuses...)
			r := newReceiver(t, func(n int, w http.ResponseWriter, q *http.Request) {
				w.Header().Set("Location", elsewhere.URL)
				answer(n, w, q)
			})
			l := newLedger(t)
			post(t, l, "a", "b")
			log, logs := watched()
			d, err := alert.DeliverSoon(context.Background(), l, hook(t, r.URL), log)
			must(t, err)
			if got := strings.Join(r.received(), " "); got != test.received {
				t.Errorf("received %q, want %q", got, test.received)
			}
			left := waiting(t, l)
			if n := len(strings.Fields(left)); left != test.left || d.Waiting != n || d.Sent != 2-n {
				t.Errorf("left %q, want %q; %+v", left, test.left, d)
			}
			if len(elsewhere.received()) > 0 {
				t.Error("the redirect was followed")
			}
			for _, h := range r.heads {
				if h.Get("Authorization") != "Bearer "+secret || h.Get("Content-Type") != "application/json" {
					t.Errorf("header %v", h)
				}
			}
			failed := logs.FilterMessage(alert.EventWebhookFailed).All()
			if len(failed) != len(test.failed) || logs.FilterMessage(alert.EventWebhookSent).Len() != d.Sent {
				t.Fatalf("events %v", logs.All())
			}
			for i, e := range failed {
				if says := e.ContextMap()["error"].(string); !strings.Contains(says, test.failed[i]) || e.ContextMap()["webhook"] != r.URL {
					t.Errorf("event %v", e.ContextMap())
				}
			}
			scan(t, logs)
		})
	}
}

func TestPostThatGetsNoAnswerStays(t *testing.T) {
	hang := make(chan struct{})
	slow := newReceiver(t, func(int, http.ResponseWriter, *http.Request) { <-hang })
	gone := newReceiver(t, answering(200))
	gone.Close()
	foreign := rawReceiver(t, func(string) string { return "hello" })
	repeats := rawReceiver(t, func(request string) string {
		return "HTTP/1.1 200 OK\r\n" + strings.ReplaceAll(request, ":", "") // lines that are no header
	})
	astray := rawReceiver(t, func(request string) string {
		first, _, _ := strings.Cut(request, "\r\n")
		return "HTTP/1.1 302 Found\r\nContent-Length: 0\r\nLocation: http://[" + first + secret + "\r\n\r\n"
	})
	breaks := newReceiver(t, func(_ int, w http.ResponseWriter, _ *http.Request) { panic(http.ErrAbortHandler) })
	secure := httptest.NewUnstartedServer(http.NotFoundHandler())
	secure.Config.ErrorLog = log.New(io.Discard, "", 0) // it complains of the client's handshake
	secure.StartTLS()
	t.Cleanup(secure.Close)
	for _, test := range []struct{ name, address, says string }{
		{"slow", slow.URL, "did not answer within alerts.webhook.timeout_s"},
		{"gone", gone.URL, "refused"},
		{"broken off", breaks.URL, "broke off"},
		{"not HTTP", foreign, "not understood"},
		{"repeats what it was sent", repeats, "not understood"},
		{"redirects astray", astray, "not understood"},
		{"unknown certificate", secure.URL, "certificate"},
		{"http instead of https", strings.Replace(breaks.URL, "http:", "https:", 1), "http or https"},
	} {
		t.Run(test.name, func(t *testing.T) {
			l := newLedger(t)
			post(t, l, "a", "b")
			log, logs := watched()
			h := hook(t, test.address)
			h.Tries = 2
			if test.name == "slow" {
				h.TimeoutS = 0.1
			}
			d, err := alert.DeliverSoon(context.Background(), l, h, log)
			must(t, err)
			if d.Sent != 0 || d.Waiting != 2 || waiting(t, l) != "a b" {
				t.Errorf("%+v, left %q", d, waiting(t, l))
			}
			failed := logs.FilterMessage(alert.EventWebhookFailed).All()
			if len(failed) != 1 || failed[0].ContextMap()["status"] != int64(0) || !strings.Contains(failed[0].ContextMap()["error"].(string), test.says) {
				t.Errorf("events %v", logs.All())
			}
			scan(t, logs)
		})
	}
	close(hang)
}

func TestSecretMayComeFromEnvironmentOrNotAtAll(t *testing.T) {
	t.Setenv("MARROWBY_SECRET", secret)
	for name, want := range map[string]string{"MARROWBY_SECRET": "Bearer " + secret, "": ""} {
		r := newReceiver(t, answering(200))
		l := newLedger(t)
		post(t, l, "a")
		_, err := alert.Deliver(context.Background(), l, &configs.Webhook{URL: r.URL, SecretEnv: name, TimeoutS: 10, Tries: 1}, zap.NewNop())
		must(t, err)
		if len(r.heads) != 1 || r.heads[0].Get("Authorization") != want {
			t.Errorf("header %v", r.heads)
		}
	}
}

func TestImpossibleWebhookIsRefusedWithoutShowingIt(t *testing.T) {
	for name, h := range map[string]*configs.Webhook{
		"no address":   {URL: "https://" + hidden + "\x7f/?" + hidden, TimeoutS: 1, Tries: 1},
		"other scheme": {URL: "gopher://host/" + hidden, TimeoutS: 1, Tries: 1},
		"no host":      {URL: "https:/" + hidden, TimeoutS: 1, Tries: 1},
		"no secret":    {URL: "http://localhost/" + hidden, SecretEnv: "MARROWBY_NOT_SET", TimeoutS: 1, Tries: 1},
	} {
		l := newLedger(t)
		post(t, l, "a")
		_, err := alert.Deliver(context.Background(), l, h, zap.NewNop())
		if err == nil || strings.Contains(err.Error(), hidden) || waiting(t, l) != "a" {
			t.Errorf("%s: error %v, left %q", name, err, waiting(t, l))
		}
	}
}

func TestNothingIsAskedOfTheWebhookWithoutPosts(t *testing.T) {
	d, err := alert.Deliver(context.Background(), newLedger(t), &configs.Webhook{SecretEnv: "MARROWBY_NOT_SET"}, zap.NewNop())
	if err != nil || d != (alert.Delivered{}) {
		t.Errorf("%+v, %v", d, err)
	}
}

func TestDeliveryEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	r := newReceiver(t, func(_ int, w http.ResponseWriter, _ *http.Request) {
		cancel()
		w.WriteHeader(http.StatusServiceUnavailable)
	})
	l := newLedger(t)
	post(t, l, "a", "b")
	h := hook(t, r.URL)
	h.Tries = 1000
	log, logs := watched()
	d, err := alert.DeliverSoon(ctx, l, h, log)
	if !errors.Is(err, context.Canceled) || d.Waiting != 2 || waiting(t, l) != "a b" || len(r.received()) != 1 {
		t.Errorf("%+v, %v, left %q after %d requests", d, err, waiting(t, l), len(r.received()))
	}
	if logs.Len() != 0 {
		t.Errorf("stopping is no failure of the webhook: %v", logs.All())
	}
}

func TestPostThatWasAcceptedIsNotedThoughTheContextEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	log, _ := watched()
	log = log.WithOptions(zap.Hooks(func(e zapcore.Entry) error {
		if e.Message == alert.EventWebhookSent {
			cancel()
		}
		return nil
	}))
	l := newLedger(t)
	post(t, l, "a", "b")
	d, err := alert.DeliverSoon(ctx, l, hook(t, newReceiver(t, answering(200)).URL), log)
	if !errors.Is(err, context.Canceled) || d.Sent != 1 || waiting(t, l) != "b" {
		t.Errorf("%+v, %v, left %q", d, err, waiting(t, l))
	}
}

func TestQueueOutlastsTheProcess(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := openAt(t, path)
	k, _ := keeper(l)
	_, err := k.Update(context.Background(), []alert.Finding{quiet}, at(0))
	must(t, err)
	down := newReceiver(t, answering(503))
	_, err = alert.DeliverSoon(context.Background(), l, hook(t, down.URL), zap.NewNop())
	must(t, err)
	must(t, l.Close())

	l = openAt(t, path)
	up := newReceiver(t, answering(200))
	d, err := alert.DeliverSoon(context.Background(), l, hook(t, up.URL), zap.NewNop())
	must(t, err)
	if d.Sent != 1 || len(up.received()) != 1 {
		t.Fatalf("%+v, received %q", d, up.bodies)
	}
	var b alert.Body
	must(t, json.Unmarshal([]byte(up.bodies[0]), &b))
	if b.Event != alert.EventRaised || b.Rule != quiet.Rule || b.Subject != quiet.Subject || b.Message != quiet.Message {
		t.Errorf("received %+v", b)
	}
}

// childVariable makes a test process deliver to the address that it names.
const childVariable = "EVENLIGHT_TEST_WEBHOOK"

// The library that tries again has a log of its own, which would show the
// address on standard error.
func TestNothingButTheLogIsWritten(t *testing.T) {
	if address := os.Getenv(childVariable); address != "" {
		l := newLedger(t)
		post(t, l, "a")
		d, err := alert.DeliverSoon(context.Background(), l, hook(t, address), zap.NewNop())
		if err != nil || d.Waiting != 1 {
			t.Errorf("%+v, %v", d, err)
		}
		return
	}
	r := newReceiver(t, answering(500))
	child := exec.Command(os.Args[0], "-test.run=^TestNothingButTheLogIsWritten$")
	child.Env = append(os.Environ(), childVariable+"="+r.URL)
	out, err := child.CombinedOutput()
	must(t, err)
	if len(r.received()) != 3 || strings.Contains(string(out), r.URL) {
		t.Errorf("%d requests; written: %s", len(r.received()), out)
	}
}

// A receiver may ask for patience, but not keep a pass for hours.
func TestWaitIsBounded(t *testing.T) {
	answer := &http.Response{StatusCode: http.StatusTooManyRequests, Header: http.Header{"Retry-After": {"86400"}}}
	if w := alert.BoundedWait(time.Second, 30*time.Second, 0, answer); w != 30*time.Second {
		t.Errorf("asked for a day: waits %v", w)
	}
	answer.Header.Set("Retry-After", "7")
	if w := alert.BoundedWait(time.Second, 30*time.Second, 0, answer); w != 7*time.Second {
		t.Errorf("asked for 7 s: waits %v", w)
	}
	before := time.Duration(0)
	for attempt := range 5 {
		w := alert.BoundedWait(time.Second, 30*time.Second, attempt, nil)
		if w <= before && w != 30*time.Second {
			t.Errorf("try %d waits %v after %v", attempt, w, before)
		}
		before = w
	}
}
