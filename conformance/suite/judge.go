package suite

import (
	"crypto/sha256"
	"encoding/json"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"sync"

	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
)

// judged is what the validator says of a resource: the keys of what makes it
// invalid, with the place, and whether a profile that it claims says so.
type judged struct {
	keys    []string
	outcome bool     // it is an OperationOutcome
	claimed bool     // a profile, by what is not only a part of a resource
	profile []string // what does not hold of profiles that it claims
}

// defined are the types in which a target defines what it has beside R4.
var defined = []string{"CodeSystem", "ValueSet", "StructureDefinition"}

// validators are those of the definitions that were read before, and judgements
// those of bodies under them: the target of a second run is mostly the same.
var (
	validators sync.Map
	judgements sync.Map
)

// define makes the validator, which knows R4 and what the target itself defines.
func (t *trial) define() {
	sum, all := sha256.New(), map[string][]json.RawMessage{}
	for _, typ := range defined {
		all[typ] = rawEntries(t.get(typ + "?_count=500&_sort=_id"))
		for _, e := range all[typ] {
			_, _ = sum.Write(e)
		}
	}
	key := string(sum.Sum(nil))
	t.definitions = key
	if v, known := validators.Load(key); known {
		t.validator = v.(*engine.Validator)
		return
	}
	r := defs.New()
	for _, typ := range defined {
		for _, e := range all[typ] {
			if _, err := r.Add(e); err != nil {
				t.hold(false, "a %s of the target can not be read", typ)
			}
		}
	}
	v, _ := validators.LoadOrStore(key, engine.New(r))
	t.validator = v.(*engine.Validator)
}

// rawEntries are the resources of an answer as they came: its entries, or itself.
func rawEntries(x *exchange) (out []json.RawMessage) {
	typ := text(x.tree, "resourceType")
	if typ != "Bundle" {
		if typ == "" {
			return nil
		}
		return []json.RawMessage{x.body}
	}
	var b struct {
		Entry []struct{ Resource json.RawMessage }
	}
	if json.Unmarshal(x.body, &b) != nil {
		return nil
	}
	for _, e := range b.Entry {
		if e.Resource != nil {
			out = append(out, e.Resource)
		}
	}
	return out
}

// judge validates a resource.
func (s *session) judge(body []byte) judged {
	sum := sha256.Sum256(body)
	key := s.definitions + string(sum[:])
	if j, known := judgements.Load(key); known {
		return j.(judged)
	}
	tree := parse(body)
	j := judged{outcome: text(tree, "resourceType") == "OperationOutcome"}
	if s.validator == nil {
		return j
	}
	for _, i := range s.validator.Validate(body, engine.Options{}) {
		if !i.Invalid() {
			continue
		}
		if strings.Contains(i.Section, ":") {
			j.profile = append(j.profile, i.Key+" at "+i.Location)
			continue
		}
		j.keys = append(j.keys, i.Key+" at "+i.Location)
	}
	if subsetted(tree) {
		j.profile = nil // a part, which says so, lacks what its profile asks for
	} else {
		j.claimed = len(list(tree, "meta", "profile")) > 0
	}
	judgements.Store(key, j)
	return j
}

// judged judges the resources of an answer, once.
func (s *session) judged(x *exchange) []judged {
	if !x.read {
		x.read = true
		for _, e := range rawEntries(x) {
			x.verdicts = append(x.verdicts, s.judge(e))
		}
	}
	return x.verdicts
}

// validOutcomes reports an answer in whose OperationOutcomes nothing is wrong.
func (s *session) validOutcomes(x *exchange) bool {
	return !slices.ContainsFunc(s.judged(x), func(j judged) bool { return j.outcome && len(j.keys) > 0 })
}

// answers goes over every answer of the run that a rule is about: those that break
// it are told, and one that keeps it is the subject.
func (t *trial) answers(about func(*exchange) bool, broken func(*exchange) string) {
	n, broke := 0, len(t.faults)
	var first *exchange
	t.ready()
	t.mu.Lock()
	seen := slices.Clone(t.seen)
	t.mu.Unlock()
	for _, x := range seen {
		if x.err != nil || !about(x) {
			continue
		}
		if n++; first == nil {
			first = x
		}
		if why := broken(x); why != "" {
			t.exchanges = append(t.exchanges, x)
			t.hold(false, "%s %s", x.asked(), why)
		}
	}
	if n > 0 {
		defer t.of(first)()
		t.saw("%d answers", n)
	}
	if first != nil && len(t.faults) == broke {
		t.exchanges = append(t.exchanges, first)
	}
}

// kinds are the keys of the validator that are about one requirement.
var kinds = map[string]*regexp.Regexp{
	"json":      regexp.MustCompile(`^(json-null|json-empty|json) `),
	"array":     regexp.MustCompile(`^(json-list|json-type) `),
	"aligned":   regexp.MustCompile(`^json-list-length `),
	"id":        regexp.MustCompile(`^id `),
	"date":      regexp.MustCompile(`^format `),
	"target":    regexp.MustCompile(`^(reference-target|reference-type) `),
	"min":       regexp.MustCompile(`^cardinality-min `),
	"code":      regexp.MustCompile(`^(binding-required|code-unknown) `),
	"invariant": regexp.MustCompile(`^[a-z]{2,4}-[0-9]+ `),
	"cpl-3":     regexp.MustCompile(`^cpl-3 `),
	"obs":       regexp.MustCompile(`^obs-[67] `),
	"narrative": regexp.MustCompile(`^(txt-[0-9]|xhtml[a-z-]*) `),
	"unknown":   regexp.MustCompile(`^element-unknown `),
	"modifier":  regexp.MustCompile(`^extension-(unknown|modifier) at .*modifierExtension`),
	"digits":    regexp.MustCompile(`^(sct|loinc)-check `),
	"ucum":      regexp.MustCompile(`^ucum `),
}

// content is the check of a rule of content: nothing that was published breaks
// it, and $validate refuses what does.
func content(kind string, defects ...string) func(*trial) {
	return func(t *trial) {
		t.published(kind)
		types := map[string]bool{}
		for _, d := range defects {
			t.invalid(kind, d)
			types[text(parse([]byte(d)), "resourceType")] = true
		}
		for typ := range types {
			t.accepts(twins[typ])
		}
	}
}

// published holds every resource that was seen to the rules of a kind.
func (t *trial) published(kind string) {
	t.answers(func(x *exchange) bool {
		return x.fhir() && x.status == http.StatusOK && strings.Contains(media(x), "json")
	}, func(x *exchange) string {
		for _, j := range t.judged(x) {
			for _, k := range j.keys {
				if isOf(kind, k) {
					return "has a resource with " + k
				}
			}
		}
		return ""
	})
}

// isOf reports a key of a kind; "other" are those that are of none.
func isOf(kind, key string) bool {
	if rule := kinds[kind]; rule != nil {
		return rule.MatchString(key)
	}
	for _, rule := range kinds {
		if rule.MatchString(key) {
			return false
		}
	}
	return true
}

// invalid holds that $validate says of a resource what is wrong with it.
func (t *trial) invalid(kind, resource string) *exchange {
	typ := text(parse([]byte(resource)), "resourceType")
	x := t.send(http.MethodPost, typ+"/$validate", fhirJSON, []byte(resource))
	errors := 0
	for _, i := range list(x.tree, "issue") {
		if s := text(i, "severity"); s == "error" || s == "fatal" {
			errors++
		}
	}
	if t.hold(x.status == http.StatusOK && errors > 0 && text(x.tree, "resourceType") == "OperationOutcome", "$validate finds no error in a %s that breaks a rule of kind %s", typ, kind) {
		t.saw("$validate finds an error in a %s that breaks a rule of kind %s", typ, kind)
	}
	return x
}

// twins are resources in which nothing is wrong, each of a type of which others have a
// defect: who finds an error in everything finds none.
var twins = map[string]string{
	"Patient":                  `{"resourceType":"Patient","gender":"unknown"}`,
	"CarePlan":                 `{"resourceType":"CarePlan","status":"active","intent":"plan","subject":{"reference":"Patient/1"},"activity":[{"detail":{"status":"not-started"}}]}`,
	"Procedure":                `{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/1"},"performedDateTime":"2024-05-01T10:00:00Z"}`,
	"Observation":              `{"resourceType":"Observation","status":"final","code":{"text":"x"}}`,
	"Condition":                `{"resourceType":"Condition","subject":{"reference":"Patient/1"}}`,
	"Encounter":                `{"resourceType":"Encounter","status":"finished","class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"AMB"}}`,
	"Goal":                     `{"resourceType":"Goal","lifecycleStatus":"active","description":{"text":"x"},"subject":{"reference":"Patient/1"}}`,
	"MedicationAdministration": `{"resourceType":"MedicationAdministration","status":"completed","medicationCodeableConcept":{"text":"x"},"subject":{"reference":"Patient/1"},"effectiveDateTime":"2024-05-01T10:00:00Z"}`,
	"Provenance":               `{"resourceType":"Provenance","target":[{"reference":"Patient/1"}],"recorded":"2024-05-01T10:00:00Z","agent":[{"who":{"reference":"Device/1"}}]}`,
}

// without is the twin of a type, without an element that it must have.
func without(typ string, path ...any) string {
	return string(encode(set(parse([]byte(twins[typ])), nil, path...)))
}

// otherwise is the twin of a type with another value of an element.
func otherwise(typ string, value any, path ...any) string {
	return string(encode(set(parse([]byte(twins[typ])), value, path...)))
}

// accepted holds that $validate finds no error in a patient that has none.
func (t *trial) accepted() { t.accepts(twins["Patient"]) }

// accepts holds that $validate finds no error in what has none.
func (t *trial) accepts(resource string) {
	typ := text(parse([]byte(resource)), "resourceType")
	x := t.send(http.MethodPost, typ+"/$validate", fhirJSON, []byte(resource))
	defer t.of(x)()
	x.twin = true
	t.hold(x.status == http.StatusOK && text(x.tree, "resourceType") == "OperationOutcome", "$validate gives no OperationOutcome for a %s", typ)
	for _, i := range list(x.tree, "issue") {
		t.hold(text(i, "severity") != "error" && text(i, "severity") != "fatal", "$validate finds an error in a %s where there is none", typ)
	}
}

// profilesAreTrue holds what claims a profile to it.
func profilesAreTrue(t *trial) {
	claims := 0
	t.answers(func(x *exchange) bool { return x.fhir() && x.status == http.StatusOK }, func(x *exchange) string {
		for _, j := range t.judged(x) {
			if j.claimed {
				claims++
			}
			if len(j.profile) > 0 {
				return "claims a profile and breaks it: " + j.profile[0]
			}
		}
		return ""
	})
	t.hold(claims > 0, "nothing that was published claims a profile")
	untrue := `{"resourceType":"Observation","meta":{"profile":["http://hl7.org/fhir/StructureDefinition/bodyweight"]},"status":"final","code":{"text":"x"},"subject":{"reference":"Patient/1"}}`
	t.invalid("profile", untrue)
	t.accepted()
}

// internals are words of stack traces, statements, paths, hosts and software.
var internals = regexp.MustCompile(`goroutine \d|\.go:\d+|panic:|\bat [a-z]+\.[A-Za-z.]+\(|\bgo1\.\d` +
	`|SELECT .* FROM|INSERT INTO|DELETE FROM|UPDATE .* SET|(?i:sqlite|sqlstate|constraint failed|no such (table|column)|syntax error (at|near)|database is locked)` +
	`|(^|\W)/(home|usr|tmp|var|root|opt|srv|mnt|proc)/|\b[A-Z]:\\|localhost|\b(10|127)(\.\d{1,3}){3}\b|\b192\.168(\.\d{1,3}){2}\b`)

// insidesOf are those words in bodies that were looked through before: mostly they come again.
var insidesOf sync.Map

// inside is the first of the words in a body; "": there is none.
func inside(body []byte) string {
	sum := sha256.Sum256(body)
	if m, known := insidesOf.Load(sum); known {
		return m.(string)
	}
	m := internals.FindString(string(body))
	insidesOf.Store(sum, m)
	return m
}

// software is the version of it that the target states.
func (t *trial) software() string {
	if t.statement == nil {
		return ""
	}
	return text(t.statement.tree, "software", "version")
}

// insides is what a failure tells of the insides of a server.
func (t *trial) insides(x *exchange) string {
	if m := inside(x.body); m != "" {
		return "tells of its insides: " + quote(m)
	}
	if v := t.software(); strings.ContainsAny(v, "0123456789") && strings.Contains(string(x.body), v) {
		return "tells the version of its software"
	}
	for _, h := range []string{"X-Powered-By", "X-AspNet-Version", "X-Runtime"} {
		if x.header.Get(h) != "" {
			return "tells what it runs on"
		}
	}
	if strings.ContainsAny(x.header.Get("Server"), "0123456789") {
		return "has the version of a server"
	}
	return ""
}

func divided(inner string) string {
	return `{"resourceType":"Patient","text":{"status":"generated","div":` + string(encode(`<div xmlns="http://www.w3.org/1999/xhtml">`+inner+`</div>`)) + `}}`
}

func patientBorn(date string) string { return `{"resourceType":"Patient","birthDate":"` + date + `"}` }

func changed(at string) string {
	return `{"resourceType":"Patient","meta":{"lastUpdated":"` + at + `"}}`
}

func procedureAt(at string) string {
	return `{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/1"},"performedDateTime":"` + at + `"}`
}
