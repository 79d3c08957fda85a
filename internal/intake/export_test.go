package intake

import (
	"context"
	"net"
)

// Dial gives a client that was not started another way to the broker.
func (c *Client) Dial(dial func(ctx context.Context, network, address string) (net.Conn, error)) {
	c.dial = dial
}
