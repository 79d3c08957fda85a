// Package store keeps the facts of a site in one SQLite file: readings, lots and
// sensors with what people told of them, operator actions, alarm conditions and
// the outbox. A commit is on disk, through power cuts, when it returns.
package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"

	"github.com/klauspost/compress/zstd"
	"github.com/pressly/goose/v3"
	_ "modernc.org/sqlite" // the driver "sqlite"

	"dryhold/internal/crash"
	"dryhold/internal/room"
)

//go:embed migrations/*.sql
var migrations embed.FS

// File is the name of the database inside the data directory.
const File = "dryhold.db"

// pragmas of every connection. WAL lets readers go on while the writer
// commits; FULL syncs the log before a commit returns. They are in the name of
// the database, see uri, so that every pooled connection has them.
const pragmas = "_pragma=foreign_keys(1)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)"

// Store is the open database of one site. One goroutine commits; any may
// read.
type Store struct {
	lock  *os.File
	write *sql.DB // one connection, used by the writer alone
	read  *sql.DB
	// Statements of the writer's connection.
	putOne, putMany *sql.Stmt

	enc *zstd.Encoder
	dec *zstd.Decoder
	log *slog.Logger
	// space gives the free bytes of a directory's disk; see beforeUpgrade.
	space func(dir string) (free uint64, known bool)

	mu       sync.Mutex // guards the fields below
	series   map[room.Series]int64
	packed   map[int64]int64 // per series the newest packed day
	receipts map[uint16]Receipt
	last     uint16 // identifier of the newest message on disk; 0: none
	whole    Integrity
	newest   int64 // id of the newest row of quarantined_day that was reported

	// moved says that a transaction moved a day to the quarantine, to be
	// reported once it is committed.
	moved atomic.Bool
	// exporting says that commits note what is to be exported.
	exporting atomic.Bool

	// looking is that of Look: damaged days stay where they are, and passed
	// are those it came upon, by series and day.
	looking bool
	passed  [][2]int64
}

// Open opens or creates the database in a directory, which it makes if need
// be, takes the directory for this process alone, sees that the file is whole,
// and brings its schema up to date, with a copy kept of what was; see
// beforeUpgrade. A file that is damaged gives a
// DamagedError and is left as it is.
func Open(ctx context.Context, dir string, log *slog.Logger) (_ *Store, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("cannot make data directory: %w", err)
	}
	s := &Store{log: log, space: freeSpace, series: map[room.Series]int64{}, packed: map[int64]int64{}, receipts: map[uint16]Receipt{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
		}
	}()
	if s.lock, err = lockDir(dir); err != nil {
		return nil, err
	}
	path := filepath.Join(dir, File)
	if err := s.found(ctx, path); err != nil {
		return nil, err
	}
	if err := s.beforeUpgrade(ctx, path); err != nil {
		return nil, err
	}
	if s.write, err = sql.Open("sqlite", uri(path, pragmas+"&_txlock=immediate")); err != nil {
		return nil, fmt.Errorf("cannot open %s: %w", path, err)
	}
	s.write.SetMaxOpenConns(1)
	if err := s.migrate(ctx, s.write); err != nil {
		return nil, fmt.Errorf("cannot bring the schema of %s up to date: %w", path, err)
	}
	if err := keepPrivate(path); err != nil {
		log.Warn("the database can be read by others", "error", err)
	}
	if s.putOne, err = s.write.PrepareContext(ctx, insertOne); err != nil {
		return nil, fmt.Errorf("cannot prepare to store readings: %w", err)
	}
	if s.putMany, err = s.write.PrepareContext(ctx, insertMany()); err != nil {
		return nil, fmt.Errorf("cannot prepare to store readings: %w", err)
	}
	if s.read, err = sql.Open("sqlite", uri(path, pragmas+"&_pragma=query_only(1)")); err != nil {
		return nil, fmt.Errorf("cannot open %s for reading: %w", path, err)
	}
	if err := s.makeCodec(); err != nil {
		return nil, err
	}
	return s, s.load(ctx)
}

// steps gives the schema's migrations for a database.
func steps(db *sql.DB) (*goose.Provider, error) {
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectSQLite3, db, dir)
}

func (s *Store) migrate(ctx context.Context, db *sql.DB) error {
	p, err := steps(db)
	if err != nil {
		return err
	}
	for {
		m, err := p.UpByOne(ctx)
		if errors.Is(err, goose.ErrNoNextVersion) {
			return nil
		} else if err != nil {
			return err
		}
		s.log.Info("schema brought up to date", "step", filepath.Base(m.Source.Path), "took", m.Duration)
		crash.At(ctx, crash.Migrated)
	}
}

// load reads what the writer keeps in memory.
func (s *Store) load(ctx context.Context) error {
	err := scan(ctx, s.read, `SELECT id, room, sensor, quantity FROM series`, nil, func(r *sql.Rows) error {
		var id int64
		var k room.Series
		err := r.Scan(&id, &k.Room, &k.Sensor, &k.Quantity)
		s.series[k] = id
		return err
	})
	if err != nil {
		return fmt.Errorf("cannot read the list of series: %w", err)
	}
	err = scan(ctx, s.read, `SELECT series, max(day) FROM packed_day GROUP BY series`, nil, func(r *sql.Rows) error {
		var id, day int64
		err := r.Scan(&id, &day)
		s.packed[id] = day
		return err
	})
	if err != nil {
		return fmt.Errorf("cannot read the list of packed days: %w", err)
	}
	if err := s.loadIntegrity(ctx); err != nil {
		return err
	}
	return s.loadReceipts(ctx)
}

// Close releases the database and the directory. It may be called twice.
func (s *Store) Close() error {
	var errs []error
	for _, db := range []*sql.DB{s.read, s.write} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	s.closeCodec()
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	s.lock = nil
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("cannot close the store: %w", err)
	}
	return nil
}

// queryer is a database or a transaction.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// scan calls row for every row of a query.
func scan(ctx context.Context, q queryer, query string, args []any, row func(*sql.Rows) error) error {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
