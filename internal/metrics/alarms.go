package metrics

import (
	"strings"

	"github.com/prometheus/client_golang/prometheus"

	"dryhold/internal/alarm"
)

// alarmRates count alarms and messages since the start, from which their rates
// follow: increase(dryhold_alarm_transitions_total{to="active_unacknowledged"}[1d])
// is what the guidance of ISA-18.2 and EEMUA 191 speaks of.
type alarmRates struct {
	transitions, messages *prometheus.CounterVec
}

func newAlarmRates(site prometheus.Labels) alarmRates {
	return alarmRates{
		prometheus.NewCounterVec(prometheus.CounterOpts{
			Name:        "dryhold_alarm_transitions_total",
			Help:        "State changes of alarms, by kind and new state. Of raises, about 150 a day are manageable for an operator in a control room (EEMUA 191, ISA-18.2; from memory); a household should see far fewer.",
			ConstLabels: site,
		}, []string{"kind", "to"}),
		prometheus.NewCounterVec(prometheus.CounterOpts{
			Name:        "dryhold_messages_total",
			Help:        "Messages queued for people, by recipient, priority of the most urgent alarm in it, and event. The bar of a household is one a week in a normal year and three a day in a hot week, digests aside.",
			ConstLabels: site,
		}, []string{"recipient", "priority", "event"}),
	}
}

func underscored(s alarm.State) string { return strings.ReplaceAll(string(s), " ", "_") }

// CountAlarms counts what is now on disk: state changes of alarms, and messages
// to people. Notices for machines are one for each change, and not counted.
// Safe for concurrent use.
func (m *Metrics) CountAlarms(events []alarm.Event, notices []alarm.Notice) {
	for _, e := range events {
		if e.From != e.To {
			m.rates.transitions.WithLabelValues(string(e.Key.Kind), underscored(e.To)).Inc()
		}
	}
	for _, n := range notices {
		if n.To != "" {
			m.rates.messages.WithLabelValues(clean(n.To), priority(n.Priority), string(n.Event)).Inc()
		}
	}
}
