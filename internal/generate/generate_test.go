package generate_test

import (
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
)

const seed = 20240331

func london(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	return zone
}

func cases(t testing.TB) [][]*record.Record {
	t.Helper()
	return generate.Cases(seed, 500, generate.Options{Zone: london(t)})
}

func encode(t testing.TB, r *record.Record) []byte {
	t.Helper()
	b, err := record.Encode(r)
	require.NoError(t, err)
	return b
}

// 500 cases hold everything that the format can say, and everything that the
// bridge has to live with; what they lack, no property over them tests.
func TestGeneratorCovers(t *testing.T) {
	all := cases(t)
	s := newSurvey()
	for _, c := range all {
		for _, r := range c {
			s.record(t, encode(t, r))
		}
		s.history(c, london(t))
	}
	for _, p := range record.Paths() {
		assert.NotZero(t, s.present[p.Path], "%s is never present", p.Path)
		if !p.Identifies && !strings.HasSuffix(p.Path, "*") && !oneOf(p.Path) {
			assert.NotZero(t, s.absent[p.Path], "%s is never absent", p.Path)
		}
		if p.Set != nil && p.Leaf() {
			for _, v := range p.Set.Values {
				assert.NotZero(t, s.values[p.Path+"="+string(v.Code)], "%s is never %s", p.Path, v.Code)
			}
		}
	}
	for _, what := range situations {
		assert.NotZero(t, s.situations[what], "no case with %s", what)
	}
}

// oneOf reports a place of which a record has one by its kind.
func oneOf(path string) bool {
	return slices.Contains([]string{"/surgery", "/review", "/contact", "/merge"}, path)
}

// survey counts what records hold.
type survey struct {
	present, absent, values, situations map[string]int
	places                              map[string]record.PathInfo
	members                             map[string][]string // paths of the members, by path of the object
}

func newSurvey() *survey {
	s := &survey{map[string]int{}, map[string]int{}, map[string]int{}, map[string]int{}, map[string]record.PathInfo{}, map[string][]string{}}
	for _, p := range record.Paths() {
		s.places[p.Path] = p
		parent := p.Path[:strings.LastIndex(p.Path, "/")]
		s.members[parent] = append(s.members[parent], p.Path)
	}
	return s
}

func (s *survey) record(t *testing.T, b []byte) {
	var tree any
	require.NoError(t, json.Unmarshal(b, &tree))
	s.walk("", tree)
}

func (s *survey) walk(path string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for _, p := range s.members[path] {
			if child, ok := v[p[len(path)+1:]]; ok {
				s.present[p]++
				s.walk(p, child)
			} else {
				s.absent[p]++
			}
		}
	case []any:
		for _, item := range v {
			s.present[path+"/*"]++
			s.walk(path+"/*", item)
		}
	case string:
		s.values[path+"="+v]++
		p := s.places[path]
		if p.Type != record.WhenPath {
			return
		}
		if w, err := record.ParseWhen(v); err == nil && w.Partial() && !p.Partial {
			s.situations["a partial date"]++
		}
	}
}

// situations are what cases must hold beside every value.
var situations = []string{
	"two toes", "a partial date", "old data", "a skipped local time", "a repeated local time", "a repeated local time with offset",
	"an amendment", "a changed operation date", "a withdrawal", "a final after a withdrawal", "a draft before a final", "a draft after a final",
	"sharing agreed", "sharing declined", "sharing never stated", "sharing changed",
	"a review written up late", "a missed review", "a recall after it", "a rebooked review with a date", "a contact that counts as a review",
	"visits of an unknown surgery", "two contents under one revision", "revisions left out at times", "no revisions at all",
	"a patient changed by an amendment", "a death", "the same content again", "a second case of a patient", "a tourniquet without release",
	"a dose without volume", "a review naming an activity",
	"a merge", "a merge said the other way round too", "a merge withdrawn", "a merge with a number of nobody else",
}

func (s *survey) merge(m *record.Record, c []*record.Record) {
	s.situations["a merge"]++
	if m.Status == "withdrawn" {
		s.situations["a merge withdrawn"]++
	}
	for _, id := range m.Names() {
		if id.Value >= "P-700000" {
			s.situations["a merge with a number of nobody else"]++
		}
	}
	for _, r := range c {
		if r.Merge != nil && *r.Patient.Identifier == m.Merge.Replaces[0] {
			s.situations["a merge said the other way round too"]++
		}
	}
}

// history notes what the deliveries of a case show together.
func (s *survey) history(c []*record.Record, zone *time.Location) {
	note := func(found bool, what string) {
		if found {
			s.situations[what]++
		}
	}
	byID := map[string][]*record.Record{}
	patients := map[string]bool{}
	sharing := map[record.Code]bool{}
	surgery := false
	for _, r := range c {
		byID[r.Record] = append(byID[r.Record], r)
		if r.Kind != "merge" {
			patients[r.Patient.Identifier.Value] = true
		}
		sharing[r.Sharing] = true
		surgery = surgery || r.Surgery != nil
		note(r.Historical, "old data")
		note(r.Patient.DeathDate != nil, "a death")
		s.times(r, zone)
		if x := r.Surgery; x != nil {
			note(len(x.Toes) == 2, "two toes")
			for _, t := range x.Toes {
				for _, q := range t.Tourniquets {
					note(q.Off == nil, "a tourniquet without release")
				}
				if t.Block != nil {
					for _, a := range t.Block.Agents {
						note(a.ML == nil, "a dose without volume")
					}
				}
			}
		}
		if r.Merge != nil {
			s.merge(r, c)
		}
		if x := r.Contact; x != nil {
			note(x.CountsReview, "a contact that counts as a review")
		}
		if x := r.Review; x != nil {
			s.review(x, c)
			note(late(r, zone), "a review written up late")
		}
	}
	note(!surgery, "visits of an unknown surgery")
	note(sharing["agreed"], "sharing agreed")
	note(sharing["declined"], "sharing declined")
	note(len(sharing) == 1 && sharing[""], "sharing never stated")
	note(sharing["agreed"] && sharing["declined"], "sharing changed")
	note(len(patients) == 2, "a patient changed by an amendment")
	note(len(patients) == 1 && "P-"+numberOf(c[0]) != c[0].Patient.Identifier.Value, "a second case of a patient")
	for _, rs := range byID {
		s.saves(rs)
	}
}

// numberOf is the number of the case, which its record ids hold.
func numberOf(r *record.Record) string { return strings.Split(r.Record, "-")[1] }

func late(r *record.Record, zone *time.Location) bool {
	if r.Review.At == nil || r.SavedAt == nil || r.Status != "final" {
		return false
	}
	at, _ := r.Review.At.In(zone)
	saved, _ := r.SavedAt.In(zone)
	return saved.Sub(at) > 5*24*time.Hour && !r.Review.At.Partial()
}

func (s *survey) review(x *record.Review, c []*record.Record) {
	note := func(found bool, what string) {
		if found {
			s.situations[what]++
		}
	}
	note(x.Activity != "", "a review naming an activity")
	note(x.Attendance == "rebooked" && x.NextReview != nil && x.NextReview.At != nil, "a rebooked review with a date")
	if x.Attendance != "did-not-attend" {
		return
	}
	note(true, "a missed review")
	for _, r := range c {
		note(r.Review != nil && strings.HasSuffix(r.Review.Activity, ".recall"), "a recall after it")
	}
}

// times notes local times in a gap or an overlap of the zone.
func (s *survey) times(r *record.Record, zone *time.Location) {
	for _, f := range record.Check(r, zone) {
		switch f.Code {
		case "local-time-skipped":
			s.situations["a skipped local time"]++
		case "local-time-ambiguous":
			s.situations["a repeated local time"]++
		}
	}
	if x := r.Surgery; x != nil && x.Start != nil && x.Start.HasOffset {
		plain := *x.Start
		plain.HasOffset = false
		if _, res := plain.In(zone); res == record.Ambiguous {
			s.situations["a repeated local time with offset"]++
		}
	}
}

// saves notes what the deliveries of one record id show together.
func (s *survey) saves(rs []*record.Record) {
	note := func(found bool, what string) {
		if found {
			s.situations[what]++
		}
	}
	status := func(i int) record.Code { return rs[i].Status }
	with := 0
	for i, r := range rs {
		if r.Revision != nil {
			with++
		}
		note(status(i) == "amended", "an amendment")
		note(status(i) == "withdrawn", "a withdrawal")
		if i == 0 {
			continue
		}
		note(status(i) == "final" && status(i-1) == "withdrawn", "a final after a withdrawal")
		note(status(i) == "final" && status(i-1) == "draft", "a draft before a final")
		note(status(i) == "draft" && status(i-1) != "draft", "a draft after a final")
		same := r.Revision != nil && rs[i-1].Revision != nil && *r.Revision == *rs[i-1].Revision
		note(same && status(i) == "amended" && status(i-1) == "final", "two contents under one revision")
		note(same && status(i) == status(i-1), "the same content again")
		if a, b := rs[i-1].Surgery, r.Surgery; a != nil && a.Start != nil && b.Start != nil {
			note(status(i) == "amended" && (a.Start.Day != b.Start.Day || a.Start.Month != b.Start.Month), "a changed operation date")
		}
	}
	note(with > 0 && with < len(rs), "revisions left out at times")
	note(with == 0, "no revisions at all")
}

// D2.1: what is generated is never refused, and reading it back loses nothing.
func TestD2_1_GeneratedRecordsAreRead(t *testing.T) {
	zone := london(t)
	for _, c := range cases(t) {
		for _, r := range c {
			b := encode(t, r)
			d := record.Read(b, zone)
			for _, f := range d.Findings {
				assert.NotEqual(t, record.Refusal, f.Severity, "%s: %v in %s", f.Code, f.Pointer, b)
			}
			assert.Empty(t, d.Unreadable)
			again := encode(t, d.Record)
			assert.Equal(t, string(b), string(again))
		}
	}
}

// The same seed gives the same bytes, another seed others, and a case does not
// depend on how many are asked for.
func TestCasesAreDeterministic(t *testing.T) {
	text := func(seed uint64, n int) string {
		var b strings.Builder
		for _, c := range generate.Cases(seed, n, generate.Options{Zone: london(t)}) {
			for _, r := range c {
				b.Write(encode(t, r))
				b.WriteByte('\n')
			}
		}
		return b.String()
	}
	first := text(7, 40)
	assert.Equal(t, first, text(7, 40))
	assert.NotEqual(t, first, text(8, 40))
	assert.True(t, strings.HasPrefix(first, text(7, 20)))
}

// The zero Options do: a clinic without daylight-saving time.
func TestCaseOfZeroOptions(t *testing.T) {
	for i := range uint64(50) {
		for _, r := range generate.Case(rand.New(rand.NewPCG(1, i)), generate.Options{}) {
			assert.Equal(t, "thistledown", r.Clinic)
			assert.False(t, record.Read(encode(t, r), time.UTC).Refused())
		}
	}
}
