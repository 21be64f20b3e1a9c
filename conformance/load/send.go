package main

import (
	"math/rand/v2"
	"time"

	"nailbridge/conformance/running"
	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
)

// casesApart keeps the numbers of one sender's cases off another's.
const casesApart = 1_000_000

// answerTime is how long a sender waits for one answer before it is taken to be
// lost. The doors take turns at one writer, and that of NATS takes one record a
// turn: on a busy machine the last of 64 waits for minutes.
const answerTime = 10 * time.Minute

// records gives a sender's records, encoded, case after case without end.
type records struct {
	seed   uint64
	sender int
	zone   *time.Location
	number int
	queue  [][]byte
}

// caseOf is the randomness of one case.
func caseOf(seed uint64, number int) *rand.Rand { return rand.New(rand.NewPCG(seed, uint64(number))) }

func (r *records) next() ([]byte, error) {
	for len(r.queue) == 0 {
		number := r.sender*casesApart + r.number
		r.number++
		for _, rec := range generate.Case(caseOf(r.seed, number), generate.Options{Clinic: running.Clinic, Zone: r.zone, Number: number}) {
			b, err := record.Encode(rec)
			if err != nil {
				return nil, err
			}
			r.queue = append(r.queue, b)
		}
	}
	b := r.queue[0]
	r.queue = r.queue[1:]
	return b, nil
}
