package metrics

import "github.com/prometheus/client_golang/prometheus"

// newRefused counts who was not let in, and what was not allowed. Every kind
// is there from the start, so that an increase from none is seen.
func newRefused(site prometheus.Labels) *prometheus.CounterVec {
	v := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name:        "dryhold_access_refused_total",
		Help:        "Logins, tokens, and MQTT topics refused, by kind.",
		ConstLabels: site,
	}, []string{"kind"})
	for _, kind := range []string{"page login", "page login rate", "page token", "broker login", "broker topic"} {
		v.WithLabelValues(kind)
	}
	return v
}

// CountRefused counts one refusal. Safe for concurrent use.
func (m *Metrics) CountRefused(kind string) { m.refused.WithLabelValues(kind).Inc() }
