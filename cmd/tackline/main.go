// Command tackline watches a shed in which a hull is coated with epoxy: it logs probes, says when a coat may be started and when the next
// must follow, rings a phone, and keeps the cure record. See the README.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	go func() {
		<-ctx.Done()
		stop() // a second signal ends the program at once
	}()
	code := run(ctx, systemEnv(), os.Args[1:])
	stop()
	os.Exit(code)
}
