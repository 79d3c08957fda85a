package past

import (
	"crypto/tls"
	"errors"
	"net"
	"net/http"
	"time"
)

// Trouble is why a store did not answer.
type Trouble struct {
	Err   error
	Again bool          // it may answer when it is asked again
	Less  bool          // it may answer when it is asked for less
	After time.Duration // how long it asks to wait; 0 where it does not
}

func (t *Trouble) Error() string { return t.Err.Error() }
func (t *Trouble) Unwrap() error { return t.Err }

// OfStatus is the trouble of an answer with a status of HTTP above success.
func OfStatus(status int, after time.Duration, err error) *Trouble {
	return &Trouble{
		Err: err, After: after,
		Again: status == http.StatusTooManyRequests || status >= http.StatusInternalServerError,
		Less:  status == http.StatusRequestEntityTooLarge || status >= http.StatusInternalServerError,
	}
}

// OfNetwork is the trouble of no answer, or of one that was cut off.
func OfNetwork(err error) *Trouble {
	var late net.Error
	var untrusted *tls.CertificateVerificationError
	var nowhere *net.DNSError
	switch {
	case errors.As(err, &untrusted), errors.As(err, &nowhere) && nowhere.IsNotFound:
		return &Trouble{Err: err}
	case errors.As(err, &late) && late.Timeout():
		return &Trouble{Err: err, Again: true, Less: true}
	}
	return &Trouble{Err: err, Again: true}
}
