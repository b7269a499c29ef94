package alert

import (
	"context"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline/ledger"
)

// DeliverSoon is Deliver with short waits between tries.
func DeliverSoon(ctx context.Context, led *ledger.Ledger, hook *configs.Webhook, log *zap.Logger) (Delivered, error) {
	return deliver(ctx, led, hook, log, time.Millisecond, 5*time.Millisecond)
}

// BoundedWait is how long a courier waits after an answer.
var BoundedWait = boundedWait
