package replay

import (
	"slices"
	"sort"
	"time"

	"dryhold/internal/room"
)

// Stored is a source of readings at hand, in order of time.
func Stored(all []room.Reading) Source {
	return func(rooms []string, from, to time.Time, visit func([]room.Reading) error) error {
		since := func(at time.Time) int {
			return sort.Search(len(all), func(i int) bool { return !all[i].At.Before(at) })
		}
		for i, end := since(from), since(to); i < end; {
			next := min(end, since(all[i].At.Truncate(24*time.Hour).Add(24*time.Hour)))
			day := slices.DeleteFunc(slices.Clone(all[i:next]), func(r room.Reading) bool { return !slices.Contains(rooms, r.Room) })
			if err := visit(day); err != nil {
				return err
			}
			i = next
		}
		return nil
	}
}
