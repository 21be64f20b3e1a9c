package suite

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// The results of a row.
const (
	Passed    = "passed"
	Failed    = "failed"
	Elsewhere = "observed elsewhere"
	NotNow    = "not in force"
)

// Exchange is a request and its answer, without a key and without what either
// says of a patient.
type Exchange struct {
	Request string `json:"request"`
	Answer  string `json:"answer"`
}

// Result is what became of one row, or of one rule that is no row.
type Result struct {
	ID       string     `json:"id"`
	Level    string     `json:"level,omitempty"`
	Section  string     `json:"section,omitempty"`
	Asks     string     `json:"asks,omitempty"`
	Result   string     `json:"result"`
	Known    string     `json:"known,omitempty"`  // why a row that fails is known to
	Reason   string     `json:"reason,omitempty"` // why it is not in force, or where it is observed
	Saw      []string   `json:"saw,omitempty"`    // in which exchanges its subject occurred
	Faults   []string   `json:"faults,omitempty"`
	Seconds  float64    `json:"seconds,omitempty"`  // that its check took
	Evidence []Exchange `json:"evidence,omitempty"` // the last is the one that tells the result
}

// Totals count rows by result, and rules that are no rows by theirs.
type Totals struct {
	Rows        int `json:"rows"`
	Passed      int `json:"passed"`
	Failed      int `json:"failed"`
	Elsewhere   int `json:"observedElsewhere"`
	NotInForce  int `json:"notInForce"`
	RulesPassed int `json:"rulesPassed"`
	RulesFailed int `json:"rulesFailed"`
}

// Report is what a run found.
type Report struct {
	Target string   `json:"target"`
	At     string   `json:"at"`
	FHIR   string   `json:"fhirVersion"`
	Totals Totals   `json:"totals"`
	Rows   []Result `json:"rows"`            // every requirement, once
	Rules  []Result `json:"rules"`           // requests that a hub sends first, and rules of the receiving side
	Quick  bool     `json:"quick,omitempty"` // what rows name large numbers of was tried in small
	Left   []string `json:"left,omitempty"`  // what of the suite's records could not be taken back

	Ended string `json:"ended,omitempty"` // that the run was ended before its last check

	// Untried says why the suite's own records could not be sent, by HTTP or by NATS, or
	// not be read: everything that needs them failed by it.
	Untried []string `json:"untried,omitempty"`
}

// OK reports a whole run in which nothing failed, and nothing was left behind.
func (r Report) OK() bool {
	return r.Ended == "" && r.Totals.Failed == 0 && r.Totals.RulesFailed == 0 && len(r.Left) == 0
}

// elsewhere are the rows that nobody sees from outside, each with the tests of the project that show it.
var elsewhere = map[string]string{
	"R-SEC-02": "TestD2_UnavailableAtAnyOperation: the write of a Provenance is made to fail in the store",
	"R-ING-05": "TestKilledAgainAndAgain: the process is killed between and within commits",
	"R-ING-06": ".ci/sync-trace and TestKilledAgainAndAgain: what was synced, and what outlives a kill",
	"R-NDJ-01": "TestR_NDJ_01_OneResourceALine: files of a command, which no door serves",
	"R-NDJ-03": "TestOracleOutput: files of a command, which no door serves",
	"R-NDJ-06": "TestFilesBecomeWhatTheIntakeMakes: files of a command, which no door serves",
}

// withoutNATS are the rows that a run without the second door does not see, in the same
// way.
var withoutNATS = map[string]string{
	"R-ING-01": "TestBothDoorsGiveEqualStores: the other door is NATS, which --nats names",
}

// rules say what the rules that are no rows of the reference ask.
var rules = map[string]string{
	"hub-active-plans":     "the active plans of a patient, with goals and conditions",
	"hub-by-number":        "plans by the patient's number, by POST",
	"hub-changed-since":    "what changed since an instant, in order",
	"hub-feed":             "the feed of changes, with deletions",
	"hub-reviews":          "the reviews of a plan, newest first",
	"hub-due":              "plans by the windows of their reviews",
	"hub-plan":             "the plan has every review of the protocol that it names, with its date",
	"hub-surgery":          "the surgery behind a plan",
	"receiving-answer":     "an answer names its record, its revision and the versions that stand by it",
	"content-valid":        "what is published keeps those rules of R4 too that no row is about",
	"receiving-repeat":     "the same save again changes nothing",
	"receiving-order":      "a review that comes before its surgery waits, then counts",
	"receiving-conflict":   "of two contents of one revision the later counts, with a critical flag",
	"receiving-flags":      "each flag of an answer is published in its severity, with its reason and what it is about",
	"receiving-withdrawal": "what is withdrawn is entered in error, each type in its way",
	"receiving-refusal":    "what cannot be understood where it identifies or endangers is refused, an unknown member is not",
	"receiving-dry-run":    "a dry run gives the whole answer and writes nothing",
	"receiving-decline":    "what is no longer shared is gone from every answer, in every version, with one DELETE in each history",
}

// evidenceOf shows the exchanges of a trial, of those that are of one kind the first, and
// at the end the one that tells its result.
func evidenceOf(t *trial) (out []Exchange) {
	const most = 8
	kinds := map[string]bool{}
	if t.shows != nil {
		kinds[t.shows.kind()] = true
	}
	for _, x := range t.exchanges {
		if kind := x.kind(); len(out) < most-1 && !kinds[kind] {
			kinds[kind] = true
			out = append(out, Exchange{x.asked(), x.answered()})
		}
	}
	if t.shows != nil {
		out = append(out, Exchange{t.shows.asked(), t.shows.answered()})
	}
	return out
}

// resultOf is the result of a check that ran.
func resultOf(t *trial) Result {
	r := Result{Result: Failed, Seconds: t.took.Round(time.Millisecond).Seconds(), Saw: firstFew(t.facts), Faults: firstFew(t.faults), Evidence: evidenceOf(t)}
	if t.passed() {
		r.Result = Passed
	}
	return r
}

// firstFew are the first of some texts, each once, and how many more there are.
func firstFew(all []string) (out []string) {
	const few = 5
	more := map[string]bool{}
	for _, s := range all {
		switch {
		case slices.Contains(out, s):
		case len(out) < few:
			out = append(out, s)
		default:
			more[s] = true
		}
	}
	if len(more) > 0 {
		out = append(out, fmt.Sprintf("and %d more", len(more)))
	}
	return out
}

func newReport(s *session, results map[string]*trial) Report {
	out := Report{Target: s.o.Target, At: s.o.Now.UTC().Format("2006-01-02T15:04:05Z"), FHIR: "4.0.1", Quick: s.o.Quick}
	known := Known()
	for _, row := range Rows() {
		r := Result{Result: NotNow}
		t, ran := results[row.ID]
		switch {
		case !row.InForce:
			r.Reason = row.Reason
		case ran:
			r = resultOf(t)
		case elsewhere[row.ID]+withoutNATS[row.ID] != "":
			r.Result, r.Reason = Elsewhere, elsewhere[row.ID]+withoutNATS[row.ID]
		default:
			r.Result, r.Faults = Failed, []string{"the suite has no check of it"}
		}
		r.ID, r.Level, r.Section, r.Asks = row.ID, row.Level, row.Section, row.Asks
		if r.Result == Failed {
			r.Known = known[row.ID]
		}
		out.Rows = append(out.Rows, r)
		out.Totals.count(r.Result)
	}
	for _, id := range slices.Sorted(maps.Keys(results)) {
		if strings.HasPrefix(id, "R-") {
			continue
		}
		r := resultOf(results[id])
		r.ID, r.Asks = id, rules[id]
		out.Rules = append(out.Rules, r)
		if r.Result == Passed {
			out.Totals.RulesPassed++
		} else {
			out.Totals.RulesFailed++
		}
	}
	return out
}

func (t *Totals) count(result string) {
	t.Rows++
	switch result {
	case Passed:
		t.Passed++
	case Failed:
		t.Failed++
	case Elsewhere:
		t.Elsewhere++
	default:
		t.NotInForce++
	}
}
