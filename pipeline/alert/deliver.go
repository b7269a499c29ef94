package alert

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"time"

	"github.com/hashicorp/go-retryablehttp"
	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline/ledger"
)

// Delivered is what a pass of [Deliver] came to.
type Delivered struct {
	Sent    int
	Waiting int // posts that stay queued
}

// Waits between two tries. A server may ask for other waits (Retry-After, RFC
// 9110, section 10.2.3), but not for longer than the longest.
const (
	shortestWait = time.Second
	longestWait  = 30 * time.Second
)

// readLimit bounds what is read of an answer, so that the connection can be
// used again.
const readLimit = 64 << 10

// Deliver posts what is queued in the ledger to a webhook, the oldest first,
// each as a [Body]. Any status 2xx is success. No answer, 5xx, 408 and 429 are
// tried again, at most hook.Tries times in all with growing waits, and then end
// the pass, since the receiver is not well. Redirects are not followed, because
// the secret is for the configured address only; they and the statuses that
// speak of the address or the secret (401, 403, 404, 405, 407, 410) end the
// pass too. Any other 4xx speaks of the one post, and the next is sent. What
// was not accepted stays queued for the next pass.
//
// Each failure is a log event that shows of the address only scheme and host.
// The error is that of the context, of the secret or of the ledger.
func Deliver(ctx context.Context, led *ledger.Ledger, hook *configs.Webhook, log *zap.Logger) (Delivered, error) {
	return deliver(ctx, led, hook, log, shortestWait, longestWait)
}

func deliver(ctx context.Context, led *ledger.Ledger, hook *configs.Webhook, log *zap.Logger, shortest, longest time.Duration) (Delivered, error) {
	posts, err := led.Posts(ctx)
	if err != nil || len(posts) == 0 {
		return Delivered{}, err
	}
	d := Delivered{Waiting: len(posts)}
	courier, err := newCourier(hook, shortest, longest)
	if err != nil {
		return d, err
	}
	defer courier.client.HTTPClient.CloseIdleConnections()
	for _, post := range posts {
		status, err := courier.send(ctx, post.Body)
		if err != nil && ctx.Err() != nil {
			return d, ctx.Err()
		}
		if err != nil {
			log.Error(EventWebhookFailed, zap.String("webhook", courier.shown), zap.Int64("post", post.ID), zap.Int("status", status),
				zap.Error(err), zap.Int("waiting", d.Waiting))
			if !isAboutPost(status) {
				return d, nil
			}
			continue
		}
		log.Debug(EventWebhookSent, zap.String("webhook", courier.shown), zap.Int64("post", post.ID), zap.Int("status", status))
		// What was accepted is noted even when the pass is to end, lest it be
		// sent again.
		if err := led.DropPost(context.WithoutCancel(ctx), post.ID); err != nil {
			return d, err
		}
		d.Sent++
		d.Waiting--
	}
	return d, nil
}

// courier sends posts to one address.
type courier struct {
	client *retryablehttp.Client
	url    string
	shown  string // of the address: scheme and host; the rest may hold secrets
	secret string // empty: none
}

func newCourier(hook *configs.Webhook, shortest, longest time.Duration) (*courier, error) {
	secret, err := hook.Secret()
	if err != nil {
		return nil, err
	}
	u, err := url.Parse(hook.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		// The error would show the address.
		return nil, errors.New("alerts.webhook.url is no address of the form https://host/path: correct the archive's configuration")
	}
	c := &courier{client: retryablehttp.NewClient(), url: hook.URL, shown: u.Scheme + "://" + u.Host, secret: secret}
	c.client.Logger = nil // it would show the address
	c.client.RetryMax = max(0, hook.Tries-1)
	c.client.RetryWaitMin, c.client.RetryWaitMax = shortest, longest
	c.client.Backoff = boundedWait
	c.client.CheckRetry = isWorthTrying
	c.client.ErrorHandler = retryablehttp.PassthroughErrorHandler
	c.client.HTTPClient.Timeout = time.Duration(min(hook.TimeoutS*float64(time.Second), math.MaxInt64/2))
	c.client.HTTPClient.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return c, nil
}

// boundedWait does as the server asks, within bounds.
func boundedWait(shortest, longest time.Duration, attempt int, answer *http.Response) time.Duration {
	return min(retryablehttp.DefaultBackoff(shortest, longest, attempt, answer), longest)
}

func isWorthTrying(ctx context.Context, answer *http.Response, err error) (bool, error) {
	if ctx.Err() != nil {
		return false, ctx.Err()
	}
	if err != nil {
		return retryablehttp.DefaultRetryPolicy(ctx, answer, err)
	}
	s := answer.StatusCode
	return s >= 500 || s == http.StatusRequestTimeout || s == http.StatusTooManyRequests, nil
}

// send posts one body. The status is 0 where there was no answer.
func (c *courier) send(ctx context.Context, body string) (status int, err error) {
	request, err := retryablehttp.NewRequestWithContext(ctx, http.MethodPost, c.url, []byte(body))
	if err != nil {
		return 0, noAnswer(err)
	}
	request.Header.Set("Content-Type", "application/json")
	if c.secret != "" {
		request.Header.Set("Authorization", "Bearer "+c.secret) // RFC 6750, section 2.1
	}
	answer, err := c.client.Do(request)
	if answer != nil {
		defer answer.Body.Close()
		status = answer.StatusCode
	}
	if err != nil {
		return status, noAnswer(err)
	}
	if status/100 == 2 {
		// What does not arrive of an answer that accepts does not matter.
		_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, readLimit))
		return status, nil
	}
	return status, refusal(status)
}

// refusal says what a status means for whoever keeps the archive. The words of
// the server are left out: they may repeat what was sent to it.
func refusal(status int) error {
	says := fmt.Sprintf("the receiver answers %d %s", status, http.StatusText(status))
	switch {
	case status/100 == 3:
		return errors.New(says + ": redirects are not followed; set alerts.webhook.url to the final address")
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		return errors.New(says + ": check the secret (alerts.webhook.secret_env or secret_file)")
	case isAboutPost(status):
		return errors.New(says + ": it does not take this post; check what form it expects")
	case status/100 == 4 && status != http.StatusRequestTimeout && status != http.StatusTooManyRequests:
		return errors.New(says + ": check alerts.webhook.url")
	}
	return errors.New(says + ": it is tried again with the next pass")
}

// isAboutPost tells whether a status speaks of one post, so that others may
// fare better.
func isAboutPost(status int) bool {
	switch status {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusNotFound, http.StatusMethodNotAllowed,
		http.StatusProxyAuthRequired, http.StatusRequestTimeout, http.StatusGone, http.StatusTooManyRequests:
		return false
	}
	return status/100 == 4
}

// noAnswer says why there was no answer. Only errors of known kinds are shown
// as they are: others may repeat the address, or what the receiver sent, which
// in turn may repeat the secret.
func noAnswer(err error) error {
	var timeout net.Error
	var network *net.OpError
	var certificate *tls.CertificateVerificationError
	switch {
	case errors.As(err, &timeout) && timeout.Timeout():
		return errors.New("the receiver did not answer within alerts.webhook.timeout_s")
	case errors.As(err, &network):
		return errors.New(oneLine(network.Error()))
	case errors.As(err, &certificate):
		return errors.New(oneLine(certificate.Error()))
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("the receiver broke off without an answer")
	}
	return errors.New("what the receiver answers is not understood: check alerts.webhook.url, also whether it should begin with http or https")
}
