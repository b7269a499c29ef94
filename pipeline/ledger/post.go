package ledger

import (
	"context"
	"time"
)

// Post is a message that waits to be sent.
type Post struct {
	ID     int64
	Body   string
	Queued time.Time
}

// mostPosts is how many wait at most, so that a receiver that is gone for good
// does not fill the ledger.
const mostPosts = 1000

// AddPost puts a message behind those that wait. Of more than 1000 the oldest
// are dropped.
func (l *Ledger) AddPost(ctx context.Context, body string, at time.Time) error {
	return l.change(ctx, "keep a message to send", func(c *change) error {
		when, err := nanos(at)
		if err != nil {
			return err
		}
		if err := checkText(body); err != nil {
			return err
		}
		if _, err := c.exec(ctx, `INSERT INTO post (body, queued_at) VALUES ($1, $2)`, body, when); err != nil {
			return err
		}
		_, err = c.exec(ctx, `DELETE FROM post WHERE key <= (SELECT key FROM post ORDER BY key DESC LIMIT 1 OFFSET $1)`, mostPosts)
		return err
	})
}

// Posts returns the messages that wait to be sent, the oldest first.
func (l *Ledger) Posts(ctx context.Context) ([]Post, error) {
	var posts []Post
	err := each(ctx, l.read, func(scan scan) error {
		var p Post
		var queued int64
		if err := scan(&p.ID, &p.Body, &queued); err != nil {
			return err
		}
		p.Queued = timeOf(queued)
		posts = append(posts, p)
		return nil
	}, `SELECT key, body, queued_at FROM post ORDER BY key`)
	if err != nil {
		return nil, l.explain(ctx, "list the messages to send", err)
	}
	return posts, nil
}

// DropPost forgets a message, because it was sent. One that is not there any
// more does not count.
func (l *Ledger) DropPost(ctx context.Context, id int64) error {
	return l.change(ctx, "forget a message", func(c *change) error {
		_, err := c.exec(ctx, `DELETE FROM post WHERE key = $1`, id)
		return err
	})
}
