package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"
)

const (
	// checkDays is how many packed days are read between two pauses.
	checkDays = 64
	// checkRest is how long a full check rests for each unit of time it
	// works, so that a small server has most of itself for other work
	// (judgement).
	checkRest = 3
)

// FullCheck reads everything that is stored: every page of every table, and
// every packed day, which is unpacked and held against its checksum. Damaged
// days go to the quarantine; faults of the file itself are kept as a finding,
// with now as the clock. It works in small steps beside everything else and
// holds nothing back; to end it early, end ctx.
func (s *Store) FullCheck(ctx context.Context, now func() time.Time) error {
	began := time.Now()
	var tables []string
	err := scan(ctx, s.read, `SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name`, nil, func(r *sql.Rows) error {
		var name string
		err := r.Scan(&name)
		tables = append(tables, name)
		return err
	})
	if err != nil {
		return fmt.Errorf("cannot list the tables to check: %w", err)
	}
	var faults []string
	for _, name := range tables {
		began := time.Now()
		found, err := faultsOf(ctx, s.read, `integrity_check('`+strings.ReplaceAll(name, `'`, `''`)+`')`)
		if err != nil {
			return fmt.Errorf("cannot check table %s: %w", name, err)
		}
		faults = append(faults, found...)
		if err := rest(ctx, began); err != nil {
			return err
		}
	}
	days, err := s.checkPacked(ctx)
	if damaged(err) {
		faults = append(faults, err.Error())
	} else if err != nil {
		return fmt.Errorf("cannot check packed days: %w", err)
	}
	return s.checked(ctx, Integrity{Checked: now().UTC(), Took: time.Since(began), Days: days, Faults: faults})
}

// rest pauses after work that began at an instant.
func rest(ctx context.Context, began time.Time) error {
	pause := time.NewTimer(checkRest * time.Since(began))
	defer pause.Stop()
	select {
	case <-pause.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// checkPacked unpacks every packed day.
func (s *Store) checkPacked(ctx context.Context) (days int, err error) {
	at := [2]int64{-1, 0} // series and day of the last one read
	for {
		began, n := time.Now(), 0
		var bad [][2]int64
		err := scan(ctx, s.read, `SELECT series, day, n, codec, data FROM packed_day WHERE (series, day) > (?, ?) ORDER BY series, day LIMIT ?`,
			[]any{at[0], at[1], checkDays}, func(r *sql.Rows) error {
				_, why, err := s.scanAny(r, &at)
				if why != "" {
					bad = append(bad, at)
				}
				n++
				return err
			})
		if err != nil {
			return days, err
		}
		for _, k := range bad {
			s.quarantine(ctx, k[0], k[1])
		}
		if days += n; n < checkDays {
			return days, nil
		}
		if err := rest(ctx, began); err != nil {
			return days, err
		}
	}
}

// scanAny reads the columns series, day, n, codec and data of a packed day. It
// gives the first two, how many readings there are, and, if it is damaged, why.
func (s *Store) scanAny(r *sql.Rows, key *[2]int64) (readings int, bad string, err error) {
	var n, codec int64
	var data sql.RawBytes
	if err := r.Scan(&key[0], &key[1], &n, &codec, &data); err != nil {
		return 0, "", err
	}
	points, why := s.unpackWhole(key[1], n, codec, data)
	if why != nil {
		return 0, why.Error(), nil
	}
	return len(points), "", nil
}

// checked keeps the outcome of a full check.
func (s *Store) checked(ctx context.Context, c Integrity) error {
	_, err := s.write.ExecContext(ctx, `INSERT INTO full_check (only, ended, took, days, faults) VALUES (1, ?, ?, ?, ?)
		ON CONFLICT (only) DO UPDATE SET ended = excluded.ended, took = excluded.took, days = excluded.days, faults = excluded.faults`,
		c.Checked.UnixMilli(), c.Took.Milliseconds(), c.Days, strings.Join(c.Faults, "\n"))
	s.mu.Lock()
	s.whole.Checked, s.whole.Took, s.whole.Days, s.whole.Faults = c.Checked, c.Took, c.Days, c.Faults
	s.mu.Unlock()
	switch {
	case len(c.Faults) > 0:
		s.log.Error("the database file is damaged: stop dryhold and restore a backup (dryhold restore --help)", "faults", strings.Join(c.Faults, "; "))
	default:
		s.log.Info("everything stored was read and checked", "packed days", c.Days, "took", c.Took.Round(time.Millisecond))
	}
	if err != nil {
		return fmt.Errorf("cannot note the outcome of the full check: %w", err)
	}
	return nil
}
