package archive

import (
	"context"
	"fmt"
	"os"
	"time"

	"go.uber.org/zap"

	"evenlight/pipeline"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/ledger"
)

// AlertView is an alert as reports show it.
type AlertView struct {
	Rule    string    `json:"rule"`
	Subject string    `json:"subject"`
	Message string    `json:"message"`
	First   time.Time `json:"first"`
}

// attend judges the rules for alerts, tells people what changed, and writes the
// metrics file, with the turn in hand. The report gets the alerts that hold.
func (a *Archive) attend(ctx context.Context, report *Report) error {
	ctx = context.WithoutCancel(ctx) // also when the service is being stopped
	before, err := a.led.Alerts(ctx, false)
	if err != nil {
		return err
	}
	env, err := a.alertEnv()
	if err != nil {
		return err
	}
	findings, err := alert.Judge(ctx, a.led, a.cfg.Alerts.Rules, env)
	if err != nil {
		return err
	}
	keeper := alert.Keeper{Ledger: a.led, Log: a.opt.Log, Repeat: time.Duration(a.cfg.Alerts.RepeatHours * float64(time.Hour))}
	if a.cfg.Alerts.Webhook != nil {
		host, _ := os.Hostname() // empty: not known
		keeper.Sender = &alert.Sender{Host: host, Software: pipeline.Software, Version: pipeline.Version}
	}
	told, err := keeper.Update(ctx, findings, env.Now)
	if err != nil {
		return err
	}
	for _, h := range told.Holding {
		report.Alerts = append(report.Alerts, AlertView{h.Rule, h.Subject, h.Message, h.First})
	}
	if err := a.writeMetrics(ctx, env, told.Holding); err != nil {
		a.opt.Log.Error(EventMetricsFailed, zap.Error(err)) // the work of the pass is done all the same
	}
	return a.journalAlerts(before, told.Holding, env.Now)
}

func (a *Archive) alertEnv() (alert.Env, error) {
	env := alert.Env{Now: a.opt.Now(), What: pipeline.ProductFrame, Free: freeBytes, Barred: map[ledger.Hash]bool{},
		Folders: map[string]string{"products": a.cfg.Products, "earlier": a.cfg.Earlier, "quarantine": a.cfg.Quarantine, "masters": a.cfg.Masters, "journal": a.cfg.Journal}}
	if a.masters == nil {
		return env, nil
	}
	for i, m := range a.masters.lib.Masters {
		barred, err := a.masters.lib.Bars(m)
		if err != nil {
			return env, err
		}
		if barred {
			env.Barred[a.masters.records[i].SHA256] = true
		}
	}
	return env, nil
}

// journalAlerts writes down which alerts began and ended.
func (a *Archive) journalAlerts(before, after []ledger.Alert, now time.Time) error {
	type key struct{ rule, subject string }
	held := map[key]bool{}
	for i := range before {
		held[key{before[i].Rule, before[i].Subject}] = true
	}
	for i := range after {
		k := key{after[i].Rule, after[i].Subject}
		if !held[k] {
			if err := a.journal(journalLine{Alert: &after[i]}); err != nil {
				return err
			}
		}
		delete(held, k)
	}
	for i := range before {
		if held[key{before[i].Rule, before[i].Subject}] {
			ended := before[i]
			ended.Cleared = now
			if err := a.journal(journalLine{Alert: &ended}); err != nil {
				return err
			}
		}
	}
	return nil
}

// writeMetrics writes the file of figures for programs that collect them.
func (a *Archive) writeMetrics(ctx context.Context, env alert.Env, holding []ledger.Alert) error {
	if a.cfg.Alerts.MetricsFile == "" {
		return nil
	}
	m, err := alert.Gather(ctx, a.led, a.cfg.Alerts.Rules, env)
	if err != nil {
		return err
	}
	m.Software, m.Version, m.Alerts = pipeline.Software, pipeline.Version, holding
	if err := alert.WriteMetrics(a.cfg.Alerts.MetricsFile, m); err != nil {
		return fmt.Errorf("metrics file: %w", err)
	}
	return nil
}

// deliver posts what waits for the webhook. What the receiver does not take
// waits on, and is no error of the pass. That may take long: nobody should wait
// for the turn meanwhile.
func (a *Archive) deliver(ctx context.Context) {
	if a.cfg.Alerts.Webhook == nil {
		return
	}
	_, err := alert.Deliver(ctx, a.led, a.cfg.Alerts.Webhook, a.opt.Log)
	if err != nil { // such as a secret that is missing
		a.opt.Log.Error(alert.EventWebhookFailed, zap.Error(err))
	}
}
