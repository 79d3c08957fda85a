package broker

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"go.etcd.io/bbolt"
)

// The buckets of the store. Keys are the client identifier, a zero byte and
// the rest (a filter, a packet identifier); in clients and retained there is
// no rest. Values are JSON of the library's storage types.
const (
	bucketClients       = "clients"
	bucketSubscriptions = "subscriptions"
	bucketInflight      = "inflight"
	bucketRetained      = "retained"
	bucketIdentifiers   = "identifiers" // of a client, up to where they are taken
)

func buckets() []string {
	return []string{bucketClients, bucketSubscriptions, bucketInflight, bucketRetained, bucketIdentifiers}
}

// op is one change of the store. Without a bucket it changes nothing and only
// marks a place in the order.
type op struct {
	bucket string
	key    string
	value  []byte // nil deletes
	prefix bool   // deletes every key that begins with key
	// done, if set, is called once this change and all before it are on disk,
	// or with errClosed. It must not block.
	done func(error)
	// lazy changes wait for company: losing one in a crash does no harm.
	lazy bool
}

var errClosed = errors.New("the broker is stopping")

const (
	maxBatch   = 2048
	lazyDelay  = 200 * time.Millisecond
	retryDelay = time.Second
)

// store writes changes in the order they come, many per commit. When the disk
// refuses a commit it tries again until it succeeds: meanwhile nothing is
// confirmed and, once the queue is full, publishers wait.
type store struct {
	ops      chan op
	hurrying chan struct{} // closed by hurry
	quit     chan struct{} // closed by close
	ended    chan struct{} // closed when the writer has returned
	refused  atomic.Bool   // a change was turned away, so all after it are
	log      *slog.Logger
	db       *bbolt.DB
	commit   func([]op) error // apply; a test makes it fail
	retry    time.Duration
	hurry    func()       // submitters must no longer wait
	close    func() error // writes what is queued and closes the file

	mu    sync.Mutex
	fault error
}

func openStore(path string, noSync bool, log *slog.Logger) (*store, error) {
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{Timeout: time.Second, NoSync: noSync, FreelistType: bbolt.FreelistMapType})
	if err != nil {
		return nil, fmt.Errorf("cannot open the broker's store %s (is another process using it?): %w", path, err)
	}
	s := &store{
		db: db, log: log, retry: retryDelay, ops: make(chan op, maxBatch),
		hurrying: make(chan struct{}), quit: make(chan struct{}), ended: make(chan struct{}),
	}
	s.commit = s.apply
	err = db.Update(func(tx *bbolt.Tx) error {
		for _, name := range buckets() {
			if _, err := tx.CreateBucketIfNotExists([]byte(name)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, errors.Join(fmt.Errorf("cannot prepare the broker's store %s: %w", path, err), db.Close())
	}
	s.hurry = sync.OnceFunc(func() { close(s.hurrying) })
	s.close = sync.OnceValue(func() error {
		s.hurry()
		close(s.quit)
		<-s.ended
		return errors.Join(s.err(), db.Close())
	})
	go s.run()
	return s, nil
}

func (s *store) err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fault
}

// submit queues a change. It blocks while the queue is full. Once a change
// was turned away, so is every later one: otherwise a publication could be
// confirmed after its message was turned away.
func (s *store) submit(o op) {
	if !s.refused.Load() {
		select {
		case s.ops <- o:
			return
		default:
		}
		select {
		case s.ops <- o:
			return
		case <-s.hurrying:
			s.refused.Store(true)
		}
	}
	if o.done != nil {
		o.done(errClosed)
	}
}

// put queues a value in JSON.
func (s *store) put(bucket, key string, value any) {
	data, err := json.Marshal(value)
	if err != nil { // strings, numbers and bytes always marshal
		s.log.Error("cannot encode a record of the broker", "bucket", bucket, "error", err)
		return
	}
	s.submit(op{bucket: bucket, key: key, value: data})
}

// barrier waits until everything queued before is on disk.
func (s *store) barrier() error {
	result := make(chan error, 1)
	s.submit(op{done: func(err error) { result <- err }})
	select {
	case err := <-result:
		return err
	case <-s.hurrying:
		return errClosed
	}
}

func (s *store) run() {
	defer close(s.ended)
	var batch []op
	for {
		batch = s.collect(batch[:0])
		select {
		case <-s.quit:
		default:
			if s.persist(batch) {
				clear(batch)
				continue
			}
		}
		s.finish(s.drain(batch, len(batch)+cap(s.ops)))
		return
	}
}

// collect waits for a change that cannot wait, or for lazy ones to grow old,
// and takes with it what is queued.
func (s *store) collect(batch []op) []op {
	var late <-chan time.Time
	for len(batch) < maxBatch {
		select {
		case o := <-s.ops:
			batch = append(batch, o)
			if !o.lazy {
				return s.drain(batch, maxBatch)
			}
			if late == nil {
				late = time.After(lazyDelay)
			}
		case <-late:
			return batch
		case <-s.quit:
			return batch
		}
	}
	return batch
}

// drain takes what is queued without waiting.
func (s *store) drain(batch []op, limit int) []op {
	for len(batch) < limit {
		select {
		case o := <-s.ops:
			batch = append(batch, o)
		default:
			return batch
		}
	}
	return batch
}

// persist commits until it succeeds; false means that the store is closing.
func (s *store) persist(batch []op) bool {
	for {
		err := s.commit(batch)
		s.report(err)
		if err == nil {
			confirm(batch, nil)
			return true
		}
		select {
		case <-time.After(s.retry):
		case <-s.quit:
			return false
		}
	}
}

// finish makes the last attempt.
func (s *store) finish(batch []op) {
	err := s.commit(batch)
	s.report(err)
	if err != nil {
		err = errClosed
	}
	confirm(batch, err)
}

func confirm(batch []op, err error) {
	for _, o := range batch {
		if o.done != nil {
			o.done(err)
		}
	}
}

// report keeps the state of the disk and logs when it changes.
func (s *store) report(err error) {
	s.mu.Lock()
	before := s.fault
	s.fault = err
	s.mu.Unlock()
	switch {
	case err != nil && before == nil:
		s.log.Error("the broker cannot write to its store; publications wait until it can", "error", err)
	case err == nil && before != nil:
		s.log.Info("the broker can write to its store again")
	}
}

func (s *store) apply(batch []op) error {
	return s.db.Update(func(tx *bbolt.Tx) error {
		for _, o := range batch {
			if o.bucket == "" {
				continue
			}
			if err := o.apply(tx.Bucket([]byte(o.bucket))); err != nil {
				return fmt.Errorf("cannot change %s: %w", o.bucket, err)
			}
		}
		return nil
	})
}

func (o op) apply(b *bbolt.Bucket) error {
	key := []byte(o.key)
	switch {
	case o.prefix:
		c := b.Cursor()
		for k, _ := c.Seek(key); k != nil && len(k) >= len(key) && string(k[:len(key)]) == o.key; k, _ = c.Seek(key) {
			if err := b.Delete(k); err != nil {
				return err
			}
		}
		return nil
	case o.value == nil:
		return b.Delete(key)
	}
	return b.Put(key, o.value)
}

// load reads every record of a bucket. A record that cannot be read is left
// out and logged: the rest is worth more than the refusal to start.
func load[T any](s *store, bucket string) ([]T, error) {
	var out []T
	err := each(s, bucket, func(_ string, one T) { out = append(out, one) })
	return out, err
}

// loadKeys is load with the key of each record.
func loadKeys[T any](s *store, bucket string) (map[string]T, error) {
	out := map[string]T{}
	err := each(s, bucket, func(key string, one T) { out[key] = one })
	return out, err
}

func each[T any](s *store, bucket string, visit func(key string, one T)) error {
	err := s.db.View(func(tx *bbolt.Tx) error {
		return tx.Bucket([]byte(bucket)).ForEach(func(k, v []byte) error {
			var one T
			if err := json.Unmarshal(v, &one); err != nil {
				s.log.Error("the broker's store holds a record that cannot be read; it is left out", "bucket", bucket, "key", string(k), "error", err)
				return nil
			}
			visit(string(k), one)
			return nil
		})
	})
	if err != nil {
		return fmt.Errorf("cannot read %s from the broker's store: %w", bucket, err)
	}
	return nil
}
