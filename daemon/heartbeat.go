package daemon

import (
	"context"
	"time"

	"tackline/daemon/alert/heartbeat"
)

// beat calls the address of the heartbeat as long as good readings reach the disk: not while probes are silent, the card is full or the loop hangs.
func (d *Daemon) beat(ctx context.Context, h *heartbeat.Heart, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	last := int64(0)
	for {
		if stored := d.stored.Load(); stored > last {
			err := h.Beat(ctx)
			if ctx.Err() != nil {
				return
			}
			if d.errs.set("heartbeat", err) && err != nil {
				d.log.Warn("the watcher outside could not be called; tried again", "error", err)
			}
			if err == nil {
				last = stored
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// heart makes the heartbeat of the config; nil where there is none.
func (d *Daemon) heart() (*heartbeat.Heart, error) {
	c := d.o.Config.Beat
	if c == nil {
		return nil, nil
	}
	token, err := d.o.Config.Token(c.TokenFile)
	if err != nil {
		return nil, err
	}
	return heartbeat.New(heartbeat.Config{URL: c.URL, Token: token})
}
