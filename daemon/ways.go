package daemon

import (
	"errors"
	"fmt"

	"tackline/daemon/alert"
	"tackline/daemon/alert/command"
	"tackline/daemon/alert/gotify"
	"tackline/daemon/alert/gpio"
	"tackline/daemon/alert/mail"
	"tackline/daemon/alert/matrix"
	"tackline/daemon/alert/mqtt"
	"tackline/daemon/alert/ntfy"
	"tackline/daemon/alert/pushover"
	"tackline/daemon/alert/telegram"
	"tackline/daemon/alert/webhook"
	"tackline/daemon/config"
	"tackline/sensors/drivers"
)

// routes makes the ways out of the config.
func (d *Daemon) routes() ([]alert.Route, error) {
	var out []alert.Route
	var errs []error
	for _, c := range d.o.Config.Alerts {
		least, err := alert.ParseSeverity(c.Min)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		way, err := d.way(c)
		if err != nil {
			errs = append(errs, fmt.Errorf("daemon: alert %q: %w", c.Name, err))
			continue
		}
		out = append(out, alert.Route{Name: c.Name, Way: way, Least: least})
	}
	return out, errors.Join(errs...)
}

// way makes one way out. Secrets are read from their files here and held by the way alone.
func (d *Daemon) way(c config.Alert) (alert.Way, error) {
	token, err := d.o.Config.Token(c.TokenFile)
	if err != nil {
		return nil, err
	}
	user, err := d.o.Config.Token(c.UserFile)
	if err != nil {
		return nil, err
	}
	shed := d.o.Config.Shed.Name
	switch c.Kind {
	case "log":
		return alert.NewLog(d.log.Handler())
	case "webhook":
		return webhook.New(webhook.Config{URL: c.URL, Token: token, Sender: shed})
	case "ntfy":
		return ntfy.New(ntfy.Config{Server: c.URL, Topic: c.Topic, Token: token})
	case "gotify":
		return gotify.New(gotify.Config{Server: c.URL, Token: token})
	case "telegram":
		return telegram.New(telegram.Config{Server: c.URL, Token: token, Chat: c.Chat})
	case "pushover":
		return pushover.New(pushover.Config{Server: c.URL, Token: token, User: user})
	case "matrix":
		return matrix.New(matrix.Config{Server: c.URL, Token: token, Room: c.Room})
	case "mail":
		return mail.New(mail.Config{Host: c.Mail.Host, Port: c.Mail.Port, Security: mail.Security(c.Mail.Security), User: c.Mail.User, Password: token,
			From: c.Mail.From, To: c.Mail.To, Sender: shed})
	case "mqtt":
		ca := c.CAFile
		if ca != "" {
			ca = d.o.Config.Path(ca)
		}
		return mqtt.New(mqtt.Config{Broker: c.Broker, Topic: c.Topic, User: c.Mail.User, Password: token, CAFile: ca, Client: c.Client, Sender: shed})
	case "gpio":
		open := d.o.OpenPin
		if open == nil {
			open = drivers.OpenPin
		}
		return gpio.New(gpio.Config{Pin: c.Pin.Name, Open: open, Device: gpio.Device(c.Pin.Device), ActiveLow: c.Pin.ActiveLow, For: c.Pin.For})
	case "command":
		return command.New(command.Config{Path: c.Program, Args: c.Args})
	}
	return nil, fmt.Errorf("kind %q is in the config and not in the daemon", c.Kind)
}
