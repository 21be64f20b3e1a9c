package main

import (
	"math/rand/v2"
	"time"
)

// answerTime is how long a sender waits for one answer before it is taken to be
// lost. The doors take turns at one writer, and that of NATS takes one record a
// turn: on a busy machine the last of 64 waits for minutes.
const answerTime = 10 * time.Minute

// caseOf is the randomness of one case.
func caseOf(seed uint64, number int) *rand.Rand { return rand.New(rand.NewPCG(seed, uint64(number))) }
