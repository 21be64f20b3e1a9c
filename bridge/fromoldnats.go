package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"nailbridge/internal/events"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/receive"
	"nailbridge/mapping/record"
)

// sentTogether is how many patients are sent between two points from which a killed run
// goes on: many, since the sender waits at each of them for every answer.
const sentTogether = 50

// senders are the senders of the clinics of a run, by clinic.
type senders map[string]*sender

// sender sends the first record of a run alone: its answer may show that the run must not
// go on.
type sender struct {
	*events.Sender
	began bool
}

// openNATS connects, for each clinic of the layout, to the NATS server of a bridge that
// takes records in.
func (c fromOldCommand) openNATS(_ *env, o *batch.Options) (shut func() error, err error) {
	ss := senders{}
	shut = func() error {
		for _, s := range ss {
			s.Close()
		}
		return nil
	}
	for _, t := range o.Layout.All() {
		clinic := t.Note.Clinic
		if ss[clinic] != nil {
			continue
		}
		key := ""
		if path := c.ClinicKey[clinic]; path != "" {
			b, err := os.ReadFile(path)
			if err != nil {
				return nil, errors.Join(err, shut())
			}
			key = strings.TrimSpace(string(b))
		}
		s, err := events.Dial(events.SenderOptions{URL: c.ToNATS, Clinic: clinic, Key: key})
		if err != nil {
			return nil, errors.Join(fmt.Errorf("--to-nats, clinic %s: %w", clinic, err), shut())
		}
		ss[clinic] = &sender{Sender: s}
	}
	o.Into, o.Deliver, o.Together = c.ToNATS, ss.deliver, sentTogether
	return shut, nil
}

// deliver sends records, those of one clinic after the other, and gives where each ended
// by its answer.
func (ss senders) deliver(ctx context.Context, records []batch.Record) (ends []batch.End, err error) {
	for len(records) > 0 {
		clinic := records[0].Clinic
		n := slices.IndexFunc(records, func(r batch.Record) bool { return r.Clinic != clinic })
		if n < 0 {
			n = len(records)
		}
		if !ss[clinic].began {
			n, ss[clinic].began = 1, true
		}
		var bodies [][]byte
		for _, r := range records[:n] {
			bodies = append(bodies, r.Body)
		}
		answers, err := ss[clinic].Send(ctx, bodies)
		for _, a := range answers {
			if slices.ContainsFunc(a.Reasons, func(f record.Finding) bool { return f.Code == receive.CodeFollowedOtherwise }) {
				return ends, errors.New("--follow-since: the bridge has this record by another day; nothing further is sent: give that day")
			}
			ends = append(ends, endOf(a))
		}
		if err != nil {
			return ends, err
		}
		records = records[n:]
	}
	return ends, nil
}
