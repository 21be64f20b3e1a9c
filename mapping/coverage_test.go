package mapping_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping"
	"nailbridge/mapping/coverage"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// claimed is COVERAGE.md by record path, for comparing with a sweep.
type claimed struct {
	*coverage.Table
	claims map[string]map[string]bool // FHIR paths by record path
	// words has, by record path and FHIR path, why a claim stands in words or
	// in an extension of ours.
	words map[[2]string]string
}

func readCoverage(t *testing.T) *claimed {
	t.Helper()
	table, err := mapping.Coverage()
	require.NoError(t, err)
	c := &claimed{table, map[string]map[string]bool{}, map[[2]string]string{}}
	for _, claim := range table.Claims {
		if c.claims[claim.Record] == nil {
			c.claims[claim.Record] = map[string]bool{}
		}
		c.claims[claim.Record][claim.FHIR] = true
		c.words[[2]string{claim.Record, claim.FHIR}] = claim.Words
	}
	return c
}

// sweep is what mutating every place of the base records did.
type sweep struct {
	sync.Mutex
	effects map[string]map[string]bool // FHIR paths by record path
	alike   map[string]map[string]int  // pairs of values that gave one output, by record path
	tried   map[string]map[string]int  // pairs of values tried
	folds   int
}

var swept = sync.OnceValue(func() *sweep {
	return &sweep{effects: map[string]map[string]bool{}, alike: map[string]map[string]int{}, tried: map[string]map[string]int{}}
})

// coverageBase is one file of base records.
type coverageBase struct {
	name  string
	lines [][]byte
}

func coverageBases(t *testing.T) []coverageBase {
	t.Helper()
	files, err := filepath.Glob("testdata/coverage/*.ndjson")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var out []coverageBase
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		out = append(out, coverageBase{filepath.Base(f), bytes.Split(bytes.TrimSpace(b), []byte("\n"))})
	}
	return out
}

// foldLines folds records as sent, those of each patient; ok is false where one
// is refused. All come
// long after they were saved, so that a changed saved-at is never ahead.
func foldLines(t testing.TB, lines [][]byte) (res mapping.Result, ok bool) {
	var folds []mapping.PatientFold
	for _, l := range lines {
		d := deliverBytes(l)
		if d.Refused {
			return res, false
		}
		d.Received = d.Received.AddDate(10, 0, 0)
		p := *d.Record.Patient.Identifier
		i := slices.IndexFunc(folds, func(f mapping.PatientFold) bool { return f.Patient == p })
		if i < 0 {
			i, folds = len(folds), append(folds, mapping.PatientFold{Patient: p})
		}
		folds[i].Deliveries = append(folds[i].Deliveries, d)
	}
	for _, in := range mapping.Join(worldSettings(), folds) {
		one := fold(t, in)
		res.Resources, res.Sources = append(res.Resources, one.Resources...), append(res.Sources, one.Sources...)
	}
	return res, true
}

// run mutates every place of one record of a base. Places that hold what they
// hold in the first base are passed over in the others.
func (s *sweep) run(t *testing.T, base coverageBase, i int, first [][]byte) {
	before, ok := foldLines(t, base.lines)
	require.True(t, ok, "a base record is refused")
	kind, byBase := valueAt(t, base.lines[i], "/kind"), byRef(before)
	for _, p := range record.Paths() {
		if !p.Leaf() || belongsElsewhere(p.Path, kind) {
			continue
		}
		value := valueAt(t, base.lines[i], p.Path)
		if seenBefore(t, first, base, kind, p.Path, value) {
			continue
		}
		outputs := map[string][]string{signature(byBase, before): {text(value, "")}}
		for _, m := range mutations(p, value) {
			line, ok := mutated(t, base.lines[i], p.Path, m)
			if !ok {
				continue
			}
			lines := together(t, base.lines, i, line, p.Path)
			after, ok := foldLines(t, lines)
			if !ok {
				continue
			}
			s.note(p.Path, effects(before, after))
			sig := signature(byBase, after)
			outputs[sig] = append(outputs[sig], text(valueAt(t, line, p.Path), ""))
		}
		if p.Type == record.CodePath {
			s.compare(p.Path, outputs)
		}
	}
}

// together is the base with one record replaced. What names the patient or the
// surgery is one thing in all records of a case: the others follow, and so does a
// merge that names it, so that the case stays together.
func together(t *testing.T, lines [][]byte, i int, line []byte, path string) [][]byte {
	out := slices.Clone(lines)
	out[i] = line
	set := func(j int, path string, v any) {
		if b, ok := mutated(t, out[j], path, mutation{apply: func(parent map[string]any, name string) { parent[name] = v }}); ok {
			out[j] = b
		}
	}
	for j := range out {
		kind, _ := valueAt(t, out[j], "/kind").(string)
		switch {
		case j == i:
		case strings.HasPrefix(path, "/patient/identifier/"):
			was, to := valueAt(t, lines[i], "/patient/identifier"), valueAt(t, line, path)
			if reflect.DeepEqual(valueAt(t, lines[j], "/patient/identifier"), was) {
				set(j, path, to)
			}
			if reflect.DeepEqual(valueAt(t, lines[j], "/merge/replaces/*"), was) {
				set(j, strings.Replace(path, "/patient/identifier", "/merge/replaces/*", 1), to)
			}
		case path == "/record" && valueAt(t, line, "/kind") == "surgery":
			set(j, "/"+kind+"/surgery", valueAt(t, line, path))
		}
	}
	return out
}

// belongsElsewhere reports a place of another kind of record.
func belongsElsewhere(path string, kind any) bool {
	for _, k := range record.KindSet.Values {
		if string(k.Code) != kind && strings.HasPrefix(path, "/"+string(k.Code)+"/") {
			return true
		}
	}
	return false
}

// seenBefore reports whether a record of the kind in the first base holds the
// same there, in an object of the same sort.
func seenBefore(t *testing.T, first [][]byte, base coverageBase, kind any, path string, value any) bool {
	if &first[0] == &base.lines[0] {
		return false
	}
	for _, l := range first {
		if valueAt(t, l, "/kind") == kind {
			a, _ := json.Marshal(value)
			b, _ := json.Marshal(valueAt(t, l, path))
			return bytes.Equal(a, b)
		}
	}
	return false
}

func (s *sweep) note(path string, found []string) {
	s.Lock()
	defer s.Unlock()
	s.folds++
	if s.effects[path] == nil {
		s.effects[path] = map[string]bool{}
	}
	for _, f := range found {
		s.effects[path][f] = true
	}
}

// compare notes which pairs of values gave one output.
func (s *sweep) compare(path string, outputs map[string][]string) {
	s.Lock()
	defer s.Unlock()
	if s.tried[path] == nil {
		s.tried[path], s.alike[path] = map[string]int{}, map[string]int{}
	}
	each := func(a, b string, in map[string]int) {
		if a > b {
			a, b = b, a
		}
		in[a+" and "+b]++
	}
	var all []string
	for _, values := range outputs {
		all = append(all, values...)
		for i, v := range values {
			for _, w := range values[:i] {
				each(v, w, s.alike[path])
			}
		}
	}
	for i, v := range all {
		for _, w := range all[:i] {
			each(v, w, s.tried[path])
		}
	}
}

// signature is all that a fold made, without narratives, told by how it differs
// from the fold of the base.
func signature(base map[resource.Ref]resource.Resource, res mapping.Result) string {
	h := sha256.New()
	for _, r := range res.Resources {
		h.Write([]byte(r.Ref().String()))
		was, ok := base[r.Ref()]
		if ok && bytes.Equal(was.JSON(), r.JSON()) {
			continue
		}
		v := values(r, nil)
		if ok && len(differ(values(was, nil), v)) == 0 {
			continue // in the narrative only
		}
		b, _ := json.Marshal(v)
		h.Write(b)
	}
	return string(h.Sum(nil))
}

// Each place of the record format reaches exactly the FHIR paths that
// COVERAGE.md claims for it.
func TestCoverage(t *testing.T) {
	if testing.Short() || sampled < 500 {
		t.Skip("the sweep takes two thousand folds; it runs without -short and -race")
	}
	bases, c, s := coverageBases(t), readCoverage(t), swept()
	t.Run("sweep", func(t *testing.T) {
		for _, base := range bases {
			for i := range base.lines {
				t.Run(base.name, func(t *testing.T) {
					t.Parallel()
					s.run(t, base, i, bases[0].lines)
				})
			}
		}
	})
	for _, p := range record.Paths() {
		if !p.Leaf() {
			continue
		}
		reached, steers := c.claims[p.Path], c.Steering[p.Path]+c.Kept[p.Path]
		assert.False(t, reached == nil && steers == "", "%s has no claim", p.Path)
		assert.False(t, reached != nil && steers != "", "%s steers and has claims", p.Path)
		for _, f := range slices.Sorted(maps.Keys(s.effects[p.Path])) {
			assert.True(t, reached[f], "%s reaches %s, which is not claimed", p.Path, f)
		}
		for _, f := range slices.Sorted(maps.Keys(reached)) {
			assert.True(t, s.effects[p.Path][f], "%s does not reach %s", p.Path, f)
		}
		c.checkAlike(t, s, p.Path)
	}
	c.checkWords(t)
	t.Logf("%d folds; %d places with %d claims, %d places that steer, %d kept", s.folds, len(c.claims), len(c.words), len(c.Steering), len(c.Kept))
}

// checkAlike holds that no two listed values of a place give one output in
// every base, unless COVERAGE.md says why.
func (c *claimed) checkAlike(t *testing.T, s *sweep, path string) {
	var alike []string
	for pair, n := range s.alike[path] {
		if n == s.tried[path][pair] {
			alike = append(alike, pair)
		}
	}
	steers := c.Steering[path]+c.Kept[path] != ""
	why, told := c.Alike[path]
	switch {
	case steers:
	case len(alike) > 0:
		assert.True(t, told && why != "", "%s: nothing tells apart %q", path, alike)
	default:
		assert.False(t, told, "%s: every value is told apart, though COVERAGE.md says otherwise", path)
	}
}

// inWords are the ends of claims that no machine reads: they stand for free
// text only, or where R4 has no element.
var inWords = regexp.MustCompile(`(^|\.)(note|text|display|description|detail|valueString|attachment)$|\.note\.|extension\[(` + ourExtensions + `)\]`)

const ourExtensions = `seconds-not-recorded|plan-activity|planned-review|replaces-activity|flag-inputs-hash|stated-review|follow-up-stopped|` +
	`answers-activity|counts-as-review|planned-time|stated-cancellation|contact-reason|unnumbered-person|time-as-recorded`

// checkWords holds that each claim in words has its reason, and no other has.
func (c *claimed) checkWords(t *testing.T) {
	n := 0
	for claim, why := range c.words {
		if inWords.MatchString(claim[1]) {
			n++
			assert.NotEmpty(t, why, "%s claims %s without a reason for words", claim[0], claim[1])
		}
	}
	t.Logf("%d of the claims stand in words or in an extension of ours", n)
}

// A place that the format does not have is claimed by mistake.
func TestCoverageIsOfPlacesThatExist(t *testing.T) {
	known := map[string]bool{}
	for _, p := range record.Paths() {
		known[p.Path] = p.Leaf()
	}
	c := readCoverage(t)
	for _, paths := range []map[string]string{c.Steering, c.Kept, c.Alike} {
		for p := range paths {
			assert.True(t, known[p], "%s is no value of the record format", p)
		}
	}
	for p := range c.claims {
		assert.True(t, known[p], "%s is no value of the record format", p)
	}
}
