package web

import (
	"context"
	"time"
)

// Vitals are invented, as all of Larch House.
func (k *keeper) Vitals(context.Context) (Vitals, error) {
	return Vitals{
		Version: "0.1.0-test", Go: "go1.26.0", Started: ago(50 * time.Hour), Foods: 32, Containers: 9,
		Store: StoreVitals{
			Bytes: 241 << 20, Schema: 10, Readings: 84_000_000, Open: 5000, PackedDays: 87_000, Series: 24, Checked: ago(30 * time.Hour), CheckTook: 21,
			Faults: []string{}, Quarantined: []string{"temperature of sensor loft-1 in room loft on 2026-03-02 (1440 readings: wrong checksum)"},
			Backup: &BackupVitals{At: ago(40 * 24 * time.Hour), File: "/mnt/stick/larch.db", Bytes: 240 << 20, Readings: 83_000_000},
		},
		Disk:   &DiskVitals{Free: 12 << 30, Total: 32 << 30},
		Clock:  ClockVitals{Trusted: true, Synced: true},
		Broker: BrokerVitals{URL: "mqtt://127.0.0.1:1883", Embedded: true, PerMinute: 42, Waiting: 3, Pending: 1},
		Ways:   []ChannelVitals{{Channel: "log", LastSuccess: ago(time.Hour)}, {Channel: "mail", Waiting: 2, Failures: 7, LastError: "the mail server refuses the password"}},
		Export: &ExportVitals{Delivered: 11_204, Behind: 90, Failures: 2, LastError: "connection refused"},
		Ping:   &PingVitals{Answered: ago(3 * time.Minute)},
	}, k.note("vitals")
}
