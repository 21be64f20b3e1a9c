package running

import (
	"math/rand/v2"
	"time"

	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
)

// casesApart keeps the patients of one sender's cases off another's: an amendment
// may name the patient of a number that is half a million higher.
const casesApart = 1_000_000

// Records are those of a practice system with cases of its own: saves,
// amendments, withdrawals, reviews and contacts, case after case without end.
type Records struct {
	Sender int
	Zone   *time.Location
	Random func(number int) *rand.Rand // of the case with a number

	cases int
	queue [][]byte
}

// Next is the record to send, encoded; the same until Sent.
func (r *Records) Next() ([]byte, error) {
	for len(r.queue) == 0 {
		number := r.Sender*casesApart + r.cases
		r.cases++
		for _, rec := range generate.Case(r.Random(number), generate.Options{Clinic: Clinic, Zone: r.Zone, Number: number}) {
			b, err := record.Encode(rec)
			if err != nil {
				return nil, err
			}
			r.queue = append(r.queue, b)
		}
	}
	return r.queue[0], nil
}

// Sent goes on to the record after the one that Next gave.
func (r *Records) Sent() { r.queue = r.queue[1:] }
