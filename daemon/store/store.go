// Package store keeps the readings of one shed in one SQLite file: every raw reading packed, roll-ups for charts, and the advice that was
// given. It is the only writer of that file, and a lock beside the file keeps a second process out.
//
// Readings are buffered by Append and written by Commit, one packed row for all channels, so that a power cut costs at most one interval
// of commits and a card sees one small write a minute. When an hour is over its rows are sealed: repacked into one block per channel, with
// roll-ups of 1 min, 15 min and 4 h beside it. Everything that reads sees the buffer, the open hour and the sealed hours as one.
//
// Times are ms UTC, intervals are [start, end). Only readings whose status is usable enter minima, maxima and means.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sync"
	"time"

	"tackline/daemon/durable"
	"tackline/sensors"
)

// Clock says how far the wall clock could be believed when a reading was stamped.
type Clock uint8

// The clock states. The numbers are stored in readings.db: never renumber, only append.
const (
	ClockSource   Clock = 0 // the time came with the reading (import, replay, wireless node)
	ClockSynced   Clock = 1 // set from the network
	ClockRTC      Clock = 2 // kept by a battery
	ClockManual   Clock = 3 // set by a person
	ClockUnsynced Clock = 4 // not set: the time may be wrong by any amount
	ClockRedated  Clock = 5 // was not set, or set wrong, and has been dated anew since (see Redate, RedateAll)
)

// Trusted tells whether times under this state may be shown and sent as true.
func (c Clock) Trusted() bool { return c != ClockUnsynced }

// Row is one reading.
type Row struct {
	Probe    string           // name of the probe, not empty
	Place    string           // where it sat at that time
	Quantity sensors.Quantity // gives the unit of Raw and Value
	At       int64            // ms UTC
	Mono     int64            // ms of the monotonic clock since boot, true to 500 ms once stored; 0 where the time is the source's own
	Boot     string           // id of the boot; "" where the time is the source's own
	Clock    Clock
	Raw      float64 // as the chip gave it
	Value    float64 // with the calibration applied
	Status   sensors.Status
}

// Options of Open. The zero value is right.
type Options struct {
	Now    func() time.Time // for the name of a file set aside and the time of the last commit; time.Now where nil
	Buffer int64            // readings kept in memory while commits fail, then the oldest are dropped and counted; 250 000 where 0

	// AdviceEvery is how often advice goes to disk that differs from the last in nothing but numbers: forecasts move a little every minute,
	// and keeping each would cost more writing than all readings. 10 min where 0, always where negative.
	AdviceEvery time.Duration

	// Reserve is how many bytes of the disk the file leaves to others, the job book above all: where fewer are free it does not grow, and
	// readings find room only within it. 0 leaves nothing.
	Reserve int64
	Disk    func() (free, size int64, err error) // of the file system that holds the file, bytes; the kernel's word where nil
}

const (
	hourMs       = 3_600_000
	minuteMs     = 60_000
	quarterMs    = 900_000
	watchMs      = 14_400_000
	dayMs        = 86_400_000
	fortnightMs  = 14 * dayMs
	maxMagnitude = 1e9 // of a value in its own unit, so that sums of a watch fit an int64
	maxAt        = 1 << 47
)

// Store is an open readings.db. Its methods may be called from many goroutines.
type Store struct {
	path string
	opt  Options
	lock *os.File

	writing sync.Mutex // held over every write to the file; taken before mem
	writer  *sql.DB
	reader  *sql.DB

	mem       sync.RWMutex // guards what follows
	reg       registry
	tail      map[int32][]sample // not sealed yet, in order of time, by channel
	inTail    int64
	open      int64 // seq that Append stamps
	committed int64 // newest seq on disk
	hour      int64 // of the newest reading in order of arrival
	sealed    int64 // the hour that was current at the last sealing
	latest    map[int32]newest
	rolled    int64 // id of watch from which on all roll-ups are made
	advice    adviceState
	followers map[string]follower
	state     Health
	setAside  string
	closed    bool

	capped bool // the file may not grow without bound; the holder of writing has it
}

// newest of a channel in order of arrival; late readings are never newest.
type newest struct {
	any, good       sample
	hasAny, hasGood bool
}

// ErrClosed is wrapped by the errors of a closed store.
var ErrClosed = errors.New("store: closed")

// ErrLocked is wrapped by the error of Open where another process, or another Store, has the file.
var ErrLocked = errors.New("store: in use")

// ErrNewerSchema is wrapped by the error of Open where the file was written by a newer program.
var ErrNewerSchema = errors.New("store: schema is newer")

// scaleOf gives the steps per unit in which values are kept. 1/16 K of a 1-Wire thermometer is exact, and a step is far below any noise.
func scaleOf(q sensors.Quantity) float64 {
	if q == sensors.Temperature {
		return 10_000
	}
	return 1_000
}

func scaled(v float64, q sensors.Quantity) int64 { return int64(math.Round(v * scaleOf(q))) }

func usable(status uint8) bool { return sensors.Status(status).Usable() }

// SetAside gives the name under which a damaged file was put away by Open or Commit; "" if none was.
func (s *Store) SetAside() string {
	s.mem.RLock()
	defer s.mem.RUnlock()
	return s.setAside
}

// Path gives the name of the file.
func (s *Store) Path() string { return s.path }

// Close commits what is buffered, closes the file and gives up the lock. A second Close returns nil.
func (s *Store) Close() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mem.Lock()
	was := s.closed
	s.mem.Unlock()
	if was {
		return nil
	}
	err := s.commit(context.Background(), true)
	s.mem.Lock()
	s.closed = true
	s.mem.Unlock()
	err = errors.Join(err, s.reader.Close(), s.writer.Close())
	return errors.Join(err, s.lock.Close())
}

// inTx runs f in one immediate transaction. The caller holds writing.
func (s *Store) inTx(ctx context.Context, f func(*sql.Tx) error) error {
	if err := durable.Writable(filepath.Dir(s.path)); err != nil {
		return err
	}
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return errors.Join(err, ignoreDone(tx.Rollback()))
	}
	return tx.Commit()
}

func ignoreDone(err error) error {
	if errors.Is(err, sql.ErrTxDone) {
		return nil
	}
	return err
}

func (s *Store) checkOpen() error {
	if s.closed {
		return fmt.Errorf("%w: %s", ErrClosed, s.path)
	}
	return nil
}
