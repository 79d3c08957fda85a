package mosquittotest

import (
	"context"
	"errors"
	"fmt"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Flood describes a pipelined load of messages at QoS 1.
type Flood struct {
	// URL is the broker, as in Server.URL, without TLS.
	URL string
	// ClientID names the publisher.
	ClientID string
	// Topic gives the topic of message i.
	Topic func(i int) string
	// Payload gives the payload of message i; see Payload200.
	Payload func(i int) []byte
	// Count is how many messages are sent.
	Count int
	// Window is how many are under way at once, 256 when zero.
	Window int
}

// Payload200 is a JSON payload of 200 bytes with a temperature, a humidity
// and its own time, which is start plus i seconds.
func Payload200(start time.Time, i int) []byte {
	at := start.Add(time.Duration(i) * time.Second).UTC().Format(time.RFC3339)
	head := fmt.Sprintf(`{"time":"%s","temperature":%.2f,"humidity":%.1f,"battery":87,"linkquality":120,"voltage":2950,`,
		at, 15+float64(i%1000)/100, 45+float64(i%200)/10)
	tail := `"update":{"state":"idle"},"note":"`
	pad := 200 - len(head) - len(tail) - len(`"}`)
	out := append([]byte(head), tail...)
	for range pad {
		out = append(out, '.')
	}
	return append(out, `"}`...)
}

// Run publishes the messages and returns when all are acknowledged.
func (f Flood) Run(ctx context.Context) error {
	window := f.Window
	if window == 0 {
		window = 256
	}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(f.URL).SetClientID(f.ClientID).
		SetAutoReconnect(false).SetConnectTimeout(10 * time.Second))
	if err := wait(ctx, client.Connect()); err != nil {
		return fmt.Errorf("cannot connect the publisher: %w", err)
	}
	defer client.Disconnect(250)
	tokens := make(chan mqtt.Token, window)
	result := make(chan error, 1)
	go func() {
		var first error
		for token := range tokens {
			if err := wait(ctx, token); err != nil && first == nil {
				first = err
			}
		}
		result <- first
	}()
	for i := range f.Count {
		if ctx.Err() != nil {
			break
		}
		tokens <- client.Publish(f.Topic(i), 1, false, f.Payload(i))
	}
	close(tokens)
	return errors.Join(<-result, ctx.Err())
}

func wait(ctx context.Context, token mqtt.Token) error {
	select {
	case <-token.Done():
		return token.Error()
	case <-ctx.Done():
		return ctx.Err()
	}
}
