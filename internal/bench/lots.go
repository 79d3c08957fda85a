package bench

import (
	"fmt"
	"time"

	"dryhold/internal/lot"
)

// Lots are the changes of so many lots, packed one after the other over the
// days after From, of all the foods and containers by turns, in all the rooms.
// Every fifth is moved to another room after 40 days.
func (h House) Lots(foods, containers []string, n, days int) (out []lot.Change) {
	span := time.Duration(days) * 24 * time.Hour
	for i := range n {
		id, at := fmt.Sprintf("L-%d", i+1), h.From.Add(span/time.Duration(n)*time.Duration(i)).Truncate(time.Minute)
		out = append(out, lot.Change{Kind: lot.Added, Lot: id, At: at, Recorded: at, Packing: &lot.Packing{
			Food: foods[i%len(foods)], Container: containers[i%len(containers)], Count: 6, NetMassKG: 1, PackedAt: at,
			Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.DarkRoom, Room: h.room(i),
		}})
		if moved := at.AddDate(0, 0, 40); i%5 == 0 && moved.Before(h.From.Add(span)) {
			out = append(out, lot.Change{Kind: lot.Moved, Lot: id, Room: h.room(i + 3), At: moved, Recorded: moved})
		}
	}
	return out
}
