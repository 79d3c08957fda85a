package app

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"dryhold/internal/broker"
	"dryhold/internal/intake"
	"dryhold/internal/notify"
	"dryhold/internal/settings"
)

func (a *App) startBroker(ctx context.Context) (func(context.Context) error, error) {
	e := a.opts.Settings.Broker.Embedded
	if e == nil {
		return nil, nil
	}
	stop := func(ctx context.Context) error {
		if a.keepBroker {
			return nil
		}
		return a.broker.Stop(ctx)
	}
	if a.broker != nil { // handed on
		return stop, nil
	}
	cfg, err := a.brokerConfig(e)
	if err != nil {
		return nil, err
	}
	cfg.Dir = filepath.Join(a.opts.DataDir, "broker")
	b, err := broker.Start(ctx, cfg)
	if err != nil {
		return nil, listening(err, e.Listen, "broker.embedded.listen", "another dryhold or another MQTT broker", ", or have that broker read by naming it as broker.url")
	}
	a.broker = b
	return stop, nil
}

// listening says of an address that cannot be listened on how to mend it,
// where that is known. The key is where the configuration sets the address;
// suspect is who most likely has it, and instead, if not empty, what else
// could be done.
func listening(err error, address, key, suspect, instead string) error {
	set := "set another port as " + key + " in the configuration file (--config)"
	var network *net.OpError
	switch {
	case !errors.As(err, &network): // a folder may be forbidden too
		return err
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf("%s is taken (is %s running?): stop what holds it, or %s%s: %w", address, suspect, set, instead, err)
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf("%s is not for everybody, as ports below 1024 mostly are: %s: %w", address, set, err)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return fmt.Errorf("%s is no address of this machine: set one that is as %s in the configuration file (--config), for example 127.0.0.1: %w", address, key, err)
	}
	return err
}

// prepareClient makes the MQTT client, so that notices can be sent through
// it; it connects only after the writer stands.
func (a *App) prepareClient(context.Context) (func(context.Context) error, error) {
	cfg, err := a.clientConfig()
	if err != nil {
		return nil, err
	}
	cfg.OnConnect, cfg.ClientID, cfg.Filters = a.alone.connected, a.opts.Settings.Broker.Session(), a.subscriptions()
	a.client, err = intake.New(cfg, a.now, a.receive)
	return nil, err
}

func (a *App) startIntake(ctx context.Context) (func(context.Context) error, error) {
	return a.client.Stop, a.client.Start(ctx)
}

func (a *App) clientConfig() (intake.Config, error) {
	b := a.opts.Settings.Broker
	cfg := intake.Config{
		URL: a.BrokerURL(), ClientID: b.ClientID, Filters: a.filters(),
		StatusTopic: a.statusTopic(), KeepTrying: b.Embedded == nil, Log: a.logOf("intake"),
		ReconnectMax: a.opts.reconnectMax, KeepAlive: a.opts.keepAlive,
	}
	var err error
	if b.Embedded != nil {
		cfg.URL, cfg.Username, cfg.Password = "mqtt://"+a.broker.IntakeAddr(), b.ClientID, a.intakeSecret
		return cfg, nil
	}
	// Read here, so that a file that is not there is found at the start, and
	// again at each attempt, so that one that is mended counts.
	if cfg.Username, cfg.Password, err = credentials(b.UsernameFile, b.PasswordFile); err != nil {
		return cfg, err
	}
	cfg.Credentials = func() (string, string, error) { return credentials(b.UsernameFile, b.PasswordFile) }
	cfg.TLS, err = clientTLS(b)
	return cfg, err
}

// filters are what the daemon listens to.
func (a *App) filters() []string { return append(a.decoder.Filters(), a.own()...) }

// own are the filters of the daemon's own topics.
func (a *App) own() (out []string) {
	if a.commands != nil {
		out = append(out, a.commandTopic())
	}
	if a.alone.topic != "" {
		out = append(out, a.alone.topic)
	}
	return out
}

// speaksOn reports a topic on which this daemon, and no sensor, says something.
func (a *App) speaksOn(topic string) bool {
	return topic == a.statusTopic() || topic == a.answerTopic() || topic == a.opts.Settings.Notify.MQTTTopic || slices.Contains(a.own(), topic) || a.hub.Own(topic)
}

// statusTopic says, retained, whether the daemon is there.
func (a *App) statusTopic() string { return a.opts.Settings.Broker.Topic("status") }

// clientTLS is nil where the broker needs nothing beyond what its address
// says.
func clientTLS(b settings.Broker) (*tls.Config, error) {
	if b.CAFile == "" && b.CertFile == "" {
		return nil, nil
	}
	cfg := &tls.Config{MinVersion: tls.VersionTLS12}
	if b.CAFile != "" {
		var err error
		if cfg.RootCAs, err = authorities(b.CAFile); err != nil {
			return nil, err
		}
	}
	if b.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(b.CertFile, b.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("cannot use cert_file and key_file: %w", err)
		}
		cfg.Certificates = []tls.Certificate{pair}
	}
	return cfg, nil
}

// authorities reads those to trust; nil, those of the system, without a file.
func authorities(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("cannot read ca_file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("cannot use ca_file %s: it holds no PEM certificate", file)
	}
	return pool, nil
}

// credentials reads a user name and password from their files; no file, no
// credential. A line end at the end of the file does not belong to it.
func credentials(userFile, passwordFile string) (user, password string, err error) {
	read := func(path string) string {
		if path == "" || err != nil {
			return ""
		}
		var b []byte
		if b, err = os.ReadFile(path); err != nil {
			err = fmt.Errorf("cannot read credentials: %w", err)
		}
		return strings.TrimRight(string(b), "\r\n")
	}
	user, password = read(userFile), read(passwordFile)
	return user, password, err
}

func (a *App) startNotices(context.Context) (func(context.Context) error, error) {
	channels := append([]notify.Channel{notify.NewLog(a.logOf("notify"))}, a.opts.Channels...)
	if topic := a.opts.Settings.Notify.MQTTTopic; topic != "" {
		channels = append(channels, notify.NewMQTT(topic, func(ctx context.Context, topic string, payload []byte) error {
			return a.client.Publish(ctx, topic, 1, false, payload)
		}))
	}
	ways, err := a.ways()
	if err != nil {
		return nil, err
	}
	channels = append(channels, ways...)
	for _, c := range channels {
		a.channels = append(a.channels, c.Name())
	}
	if a.worker, err = notify.New(outbox{a.store}, channels, a.now, a.logOf("notify")); err != nil {
		return nil, err
	}
	return a.worker.Stop, nil
}

// startDelivery lets notices go once the broker is there. Before, each start
// would fail an attempt of those over MQTT, and a daemon that starts again and
// again would put them off for up to an hour. The ping goes with them.
func (a *App) startDelivery(context.Context) (func(context.Context) error, error) {
	a.worker.Start(a.armed(context.Background()))
	return a.startHeartbeat()
}

// FirstReading is a line for the shell that publishes a first reading, where
// one can be given.
func (a *App) FirstReading() string {
	e := a.opts.Settings.Broker.Embedded
	if e == nil || !a.opts.Settings.AcceptNewRooms || e.TLS != nil || e.UsernameFile != "" || len(e.Users) > 0 {
		return ""
	}
	listen := e.Listen
	if a.broker != nil {
		listen = a.broker.Addr()
	}
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("mosquitto_pub -h %s -p %s -q 1 -t %s -m 21.5", host, port, "rooms/cellar/temperature")
}
