package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/url"
	"time"

	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// question is one kind of request that hubs make.
type question struct {
	name string
	path func(c subject) string
}

// subject is what one request is about.
type subject struct {
	plan, patient, version string
	seen                   time.Time // of the last change that a hub was told of
}

// questions are those that are measured. A poll is that of a hub that keeps up,
// and finds what changed since the last few commits. The last two look at dates,
// which many plans meet.
var questions = []question{
	{"patient search", func(c subject) string { return "/fhir/CarePlan?patient=Patient/" + c.patient }},
	{"change poll", func(c subject) string {
		return "/fhir/CarePlan?_sort=_lastUpdated&_lastUpdated=" + url.QueryEscape("gt"+c.seen.Format(resource.LastUpdatedLayout))
	}},
	{"history poll", func(c subject) string {
		return "/fhir/CarePlan/_history?_since=" + url.QueryEscape(c.seen.Format(resource.LastUpdatedLayout))
	}},
	{"read", func(c subject) string { return "/fhir/CarePlan/" + c.plan }},
	{"vread", func(c subject) string { return "/fhir/CarePlan/" + c.plan + "/_history/" + c.version }},
	{"include", func(c subject) string {
		return "/fhir/CarePlan?patient=Patient/" + c.patient + "&_include=CarePlan:patient"
	}},
	{"latest procedure", func(c subject) string {
		return "/fhir/Procedure?patient=Patient/" + c.patient + "&_sort=-date&_count=1"
	}},
	{"reviews due", func(subject) string { return "/fhir/CarePlan?status=active&review-due=ge2000" }}, // as most plans have one
}

// recent is over how many of the last changes polls spread.
const recent = 20

// subjects draws so many cases of the fill, the same for each question.
func (p *place) subjects(ctx context.Context, n int) (out []subject, err error) {
	r := rand.New(rand.NewPCG(seed, uint64(p.plans)))
	err = p.db.View(ctx, func(rd store.Reader) error {
		last, err := rd.Search(store.Query{Type: "CarePlan", Count: recent, NoTotal: true})
		if err != nil {
			return err
		}
		for range n {
			number := r.IntN(p.plans)
			t := p.made[number%len(p.made)]
			c := subject{seen: last.Versions[r.IntN(len(last.Versions))].LastUpdated}
			f, err := t.fill(number, p.plans)
			if err != nil {
				return err
			}
			c.plan, c.patient = f.resources[0].ID(), f.resources[1].ID() // as types
			v, err := rd.Read(f.resources[0].Ref())
			if err != nil {
				return fmt.Errorf("plan %d: %w", number, err)
			}
			c.version = v.VersionID
			out = append(out, c)
		}
		return nil
	})
	return out, err
}
