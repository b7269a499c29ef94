package watch

import (
	"context"
	"strings"
	"sync/atomic"
	"time"
	"unicode"

	"github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"
)

// Notifier tells systemd how the service is (sd_notify(3)). Where the service
// was not started by it, its methods do nothing. They may be called from any
// goroutine.
type Notifier struct {
	log    *zap.Logger
	deaf   atomic.Bool // a failure has been reported
	beaten atomic.Bool // the work went on since the watchdog was last fed
	idle   atomic.Bool // there is no work
}

// NewNotifier makes a notifier. It begins as one that has just beaten.
func NewNotifier(log *zap.Logger) *Notifier {
	n := &Notifier{log: log}
	n.beaten.Store(true)
	return n
}

// Ready says that the service does its work from now on.
func (n *Notifier) Ready() { n.send(daemon.SdNotifyReady) }

// Stopping says that the service was told to end and is about to.
func (n *Notifier) Stopping() { n.send(daemon.SdNotifyStopping) }

// Status says in one line what the service does, as "systemctl status" shows
// it. Line ends and other control characters become blanks: a line of its own
// would be taken for another message.
func (n *Notifier) Status(text string) {
	n.send("STATUS=" + strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "\uFFFD")))
}

// Beat says that the work goes on. The loop that does the work calls it at
// least once in half the watchdog's interval (WatchdogSec of the unit).
func (n *Notifier) Beat() { n.beaten.Store(true) }

// Idle says whether the work waits for something to do, which may take as long
// as it will.
func (n *Notifier) Idle(idle bool) {
	n.Beat()
	n.idle.Store(idle)
}

// Run feeds the watchdog of systemd until ctx ends, at half its interval as
// sd_watchdog_enabled(3) recommends, and only while the work goes on or there
// is none. It returns at once where there is no watchdog.
func (n *Notifier) Run(ctx context.Context) {
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		n.fail(err)
		return
	}
	if interval/2 <= 0 {
		return
	}
	tick := time.NewTicker(interval / 2)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			n.feed()
		}
	}
}

// feed feeds the watchdog if the work deserves it.
func (n *Notifier) feed() {
	if beaten := n.beaten.Swap(false); beaten || n.idle.Load() {
		n.send(daemon.SdNotifyWatchdog)
	}
}

func (n *Notifier) send(state string) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		n.fail(err)
	}
}

// fail reports, once, that the service manager cannot be told.
func (n *Notifier) fail(err error) {
	if !n.deaf.Swap(true) {
		n.log.Warn(EventNotify, zap.Error(err),
			zap.String("remedy", "systemd may take the service for hung: see NOTIFY_SOCKET and WATCHDOG_USEC of its environment, and NotifyAccess of the unit"))
	}
}
