// Package meter counts for Prometheus what an operator is alarmed by. No label
// ever holds anything of a record.
package meter

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"nailbridge/internal/receive"
)

// Meter holds the counters of one process.
type Meter struct {
	registry    *prometheus.Registry
	answers     *prometheus.CounterVec
	held        prometheus.Counter
	heldRed     prometheus.Counter
	refused     prometheus.Counter
	refusedRed  prometheus.Counter
	unavailable prometheus.Counter
	failedFolds prometheus.Counter
}

// New makes the counters, all at zero.
func New(version string) *Meter {
	m := &Meter{registry: prometheus.NewRegistry()}
	counter := func(name, help string) prometheus.Counter {
		c := prometheus.NewCounter(prometheus.CounterOpts{Name: "nailbridge_" + name, Help: help})
		m.registry.MustRegister(c)
		return c
	}
	m.answers = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "nailbridge_answers_total", Help: "Deliveries by answer."}, []string{"answer"})
	m.held = counter("held_records_total", "Records held because our own output did not pass the check.")
	m.heldRed = counter("held_records_with_red_flag_total", "Held records in which a red flag stands.")
	m.refused = counter("refused_records_total", "Records that could not be understood.")
	m.refusedRed = counter("refused_records_with_red_flag_total", "Refused records in which a red flag can be read.")
	m.unavailable = counter("unavailable_total", "Deliveries that could not be stored and were not promised.")
	m.failedFolds = counter("failed_folds_total", "Folds at a start, a tick, a retry, a re-map or an acknowledgement that did not pass our own check.")
	build := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "nailbridge_build_info", Help: "The version that runs."}, []string{"version"})
	m.registry.MustRegister(m.answers, build)
	build.WithLabelValues(version).Set(1)
	for _, k := range []receive.Kind{receive.Stored, receive.Unchanged, receive.Superseded, receive.Waiting, receive.Conflict, receive.Held, receive.Refused} {
		m.answers.WithLabelValues(string(k))
	}
	return m
}

// Answered counts an answer.
func (m *Meter) Answered(k receive.Kind) { m.answers.WithLabelValues(string(k)).Inc() }

// HeldRecord counts a held record.
func (m *Meter) HeldRecord(red bool) { count(m.held, m.heldRed, red) }

// RefusedRecord counts a refused record.
func (m *Meter) RefusedRecord(red bool) { count(m.refused, m.refusedRed, red) }

// Unavailable counts a delivery that could not be stored.
func (m *Meter) Unavailable() { m.unavailable.Inc() }

// FailedFold counts a fold that no arrival caused and that did not pass.
func (m *Meter) FailedFold() { m.failedFolds.Inc() }

func count(all, withRed prometheus.Counter, red bool) {
	all.Inc()
	if red {
		withRed.Inc()
	}
}

// Gauge adds a figure that is asked for whenever the counters are read.
func (m *Meter) Gauge(name, help string, value func() float64) {
	m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "nailbridge_" + name, Help: help}, value))
}

// Handler serves the counters.
func (m *Meter) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

var _ receive.Meter = (*Meter)(nil)
