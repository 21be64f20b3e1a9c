package suite

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
)

var contentChecks = []check{
	{"R-CONT-07", func(t *trial) {
		t.ready()
		for _, c := range []struct {
			r      *sent
			status string
		}{{t.w.withdrawn, "entered-in-error"}, {t.w.stopped, "revoked"}} {
			x := t.ok(c.r.one("CarePlan"))
			t.hold(text(x.tree, "status") == c.status, "a plan that should be %s is %q", c.status, text(x.tree, "status"))
			t.none("CarePlan?patient=" + idOf(c.r.one("Patient")) + "&status=active")
			t.found("CarePlan?patient=" + idOf(c.r.one("Patient")) + "&status=" + c.status)
			t.saw("a plan that is %s, and read", c.status)
		}
		t.found("CarePlan?" + t.mine() + "&status=active")
	}},
	{"R-CONT-08", func(t *trial) {
		t.ready()
		b := t.found("Observation?based-on=" + t.w.main.one("CarePlan") + "&_count=200")
		for _, r := range b.matches {
			t.hold(strings.HasPrefix(text(r, "effectiveDateTime"), t.w.day) && len(list(r, "performer")) > 0, "a review has no time or nobody who made it")
			t.hold(slices.ContainsFunc(list(r, "basedOn"), func(x any) bool { return text(x, "reference") == t.w.main.one("CarePlan") }), "a review is not of the plan")
		}
		t.none("Observation?based-on=" + t.w.flagged.one("CarePlan"))
		t.saw("%d findings of a review, by their plan", len(b.matches))
	}},
	{"R-CONT-10", func(t *trial) {
		t.ready()
		b := t.found("Procedure?patient=" + idOf(t.w.undone.one("Patient")))
		for _, r := range b.matches {
			t.hold(text(r, "status") == "not-done" && get(r, "statusReason") != nil, "a surgery that did not happen is %q", text(r, "status"))
		}
		t.none("Procedure?patient=" + idOf(t.w.undone.one("Patient")) + "&status=completed")
		t.saw("a surgery that did not happen")
	}},
	{"R-CONT-24", func(t *trial) {
		t.ready()
		n := 0
		for _, r := range t.ofSuite() {
			if text(r, "resourceType") == "Provenance" {
				continue // its table of targets is its narrative
			}
			n++
			div, status := text(r, "text", "div"), text(r, "status")
			t.hold(text(r, "text", "status") == "generated" && len(div) > 50, "a %s has no narrative that was generated", text(r, "resourceType"))
			if slices.Contains([]string{"not-done", "entered-in-error", "revoked"}, status) {
				t.hold(strings.Contains(div, strings.ReplaceAll(status, "-", " ")) || strings.Contains(div, status), "the narrative of a %s that is %s does not say so", text(r, "resourceType"), status)
			}
		}
		t.saw("%d narratives", n)
	}},
	{"R-DATA-06", func(t *trial) {
		t.ready()
		plan := t.ok(t.w.main.one("CarePlan")).tree
		t.hold(text(plan, "period", "start") != "" && get(plan, "period", "_start", "extension", 0) != nil, "the extension of a start stands not beside it")
		n := 0
		for _, r := range t.ofSuite() {
			walk(r, text(r, "resourceType"), func(path, name string, v any) {
				if strings.HasPrefix(name, "_") {
					n++
					m, isMap := v.(map[string]any)
					_, isList := v.([]any)
					t.hold(isList || isMap && (m["extension"] != nil || m["id"] != nil), "%s is no element of a primitive", path)
				}
			})
		}
		t.hold(n > 0, "no primitive has an extension")
		t.invalid("aligned", `{"resourceType":"Patient","name":[{"given":["A","B"],"_given":[null]}]}`)
		t.accepts(`{"resourceType":"Patient","name":[{"given":["A",null],"_given":[null,{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}]}]}`)
		t.saw("%d extensions of primitives", n)
	}},
	{"R-DATA-07", digitsKept},
	{"R-DATA-08", func(t *trial) {
		t.published("unknown")
		x := t.invalid("unknown", `{"resourceType":"CarePlan","statuss":"active","status":"active","intent":"plan","subject":{"reference":"Patient/1"}}`)
		t.hold(bytes.Contains(x.body, []byte("statuss")), "$validate does not name an element that there is not")
		t.accepted()
	}},
	{"R-DATA-11", func(t *trial) {
		t.ready()
		_, start, _ := t.sitting()
		kept, partial := false, false
		for _, r := range t.ofSuite() {
			walk(r, "", func(_, _ string, v any) {
				s, _ := v.(string)
				kept = kept || s == start.Format("2006-01-02T15:04:05")+"+02:00"
				partial = partial || s == "2025-11"
			})
		}
		t.hold(kept, "the offset of a time is not as it was sent")
		t.hold(partial, "a month does not stay one")
		t.saw("a time at +02:00 and a month")
	}},
	{"R-DATA-26", func(t *trial) {
		t.published("modifier")
		t.invalid("modifier", `{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/1"},"modifierExtension":[{"url":"http://none.example/modifies","valueBoolean":true}]}`)
		t.accepted()
	}},
}

// digitsKept sends decimals that a binary number would change, or a printer of numbers,
// and reads each in every way. One of more digits than is carried is told, and not
// rounded.
func digitsKept(t *trial) {
	r := t.own("digits").edit(json.Number("37.50"), "surgery", "weight", "kg")
	border := []any{"surgery", "toes", 0, "borders", 0}
	at := func(path ...any) []any { return append(slices.Clone(border), path...) }
	r.edit(json.Number("0.010"), at("widthMm")...).edit(json.Number("2.00"), at("flush", "mL")...).edit(json.Number("1e-3"), at("matrix", "percent")...)
	t.stored(r)
	all := append(t.compartment(r.one("Patient")), t.medications(r)...)
	var read *exchange
	for _, digits := range []string{"37.50", "0.010", "2.00", "1e-3"} {
		i := slices.IndexFunc(all, func(r any) bool { return said(r, digits) })
		if !t.hold(i >= 0, "a decimal that was sent as %s does not keep its digits", digits) {
			continue
		}
		ref := refOf(all[i])
		for _, path := range []string{ref, typeOf(ref) + "?_id=" + idOf(ref), ref + "/_history", ref + "/_history/" + text(all[i], "meta", "versionId")} {
			read = t.ok(path)
			t.hold(bytes.Contains(read.body, []byte(`"value":`+digits)), "%s does not keep its digits in %s", digits, pathOnly(path))
		}
	}
	const long = "12345678901234567.89"
	x := t.stored(t.next(r).edit(json.Number(long), at("widthMm")...))
	kept := slices.ContainsFunc(t.compartment(r.one("Patient")), func(r any) bool { return said(r, long) })
	t.hold(kept || contains(list(x.tree, "reasons"), "pointer", "/surgery/toes/0/borders/0/widthMm"), "a decimal of 19 digits is neither published as it was sent nor told")
	for _, o := range t.compartment(r.one("Patient")) {
		walk(o, "", func(_, _ string, v any) {
			n, is := v.(json.Number)
			t.hold(!is || n.String() == long || !strings.HasPrefix(n.String(), "123456789") && !strings.HasPrefix(n.String(), "1.23456789"), "a decimal of 19 digits was rounded")
		})
	}
	told := "one of 19 digits is told in the answer, and not published"
	if kept {
		told = "one of 19 digits too"
	}
	t.sawIn(read, "37.50, 0.010, 2.00 and 1e-3 in read, search, history and vread; %s", told)
}

// said reports a resource that says a decimal in these digits.
func said(r any, digits string) (yes bool) {
	walk(r, "", func(_, name string, v any) {
		n, is := v.(json.Number)
		yes = yes || is && name == "value" && n.String() == digits
	})
	return yes
}

// ofSuite are the resources of the main patient and of the other cases, as they
// are now.
func (t *trial) ofSuite() (out []any) {
	for _, r := range []*sent{t.w.main, t.w.flagged, t.w.undone, t.w.withdrawn, t.w.stopped} {
		out = append(out, t.everything(r)...)
	}
	return out
}

// everything is what a patient's compartment holds, and who the patient is. Of the
// cases that no check changes it is read once.
func (t *trial) everything(r *sent) []any {
	ref := r.one("Patient")
	return t.once(ref, func() []any { return t.compartment(ref) })
}

// compartment is what a patient's compartment holds now, and who the patient is.
func (t *trial) compartment(ref string) (all []any) {
	patient := t.ok(ref).tree
	for _, b := range t.pages(ref + "/*?_count=200") {
		all = append(all, b.matches...)
	}
	t.must(len(all) > 0, "the compartment of a patient is empty")
	return append(all, patient)
}

// once reads something that no check changes, and gives it again when it is asked
// for again.
func (t *trial) once(what string, read func() []any) []any {
	if k, known := t.kept[what]; known {
		t.exchanges = append(t.exchanges, k.exchanges...)
		return k.resources
	}
	from := len(t.exchanges)
	k := once{resources: read()}
	k.exchanges = slices.Clone(t.exchanges[from:])
	t.kept[what] = k
	return k.resources
}

// once is what was read, and how.
type once struct {
	resources []any
	exchanges []*exchange
}

const snomed = "http://snomed.info/sct"

var termChecks = []check{
	{"R-TERM-01", ofConcepts},
	{"R-TERM-02", func(t *trial) {
		t.ready()
		n := 0
		t.everyCoding(func(c any) {
			n++
			t.hold(get(c, "version") == nil, "a coding says a version")
		})
		t.saw("%d codings without a version", n)
	}},
	{"R-TERM-03", func(t *trial) {
		t.ready()
		known, own := map[string]string{}, 0
		for _, s := range t.found("CodeSystem?_count=200").matches {
			for _, c := range concepts(get(s, "concept")) {
				known[text(s, "url")+"|"+text(c, "code")] = text(c, "display")
			}
		}
		displays := map[string]string{}
		t.everyCoding(func(c any) {
			d := text(c, "display")
			if d == "" {
				return
			}
			if want, is := known[token(c)]; is {
				own++
				t.hold(d == want, "a display is not that of its code system: %s", token(c))
			}
			before, again := displays[token(c)]
			t.hold(!again || before == d, "one code has two displays: %s", token(c))
			displays[token(c)] = d
			if want, is := published[token(c)]; is {
				t.hold(d == want, "the display of %s is not a published term", token(c))
			}
		})
		t.hold(own > 0, "no coding is of a code system that the target serves")
		t.saw("%d displays, of which %d of code systems served", len(displays), own)
	}},
	{"R-TERM-06", func(t *trial) {
		t.ready()
		n := 0
		for _, r := range t.everything(t.w.main) {
			if text(r, "resourceType") != "Procedure" {
				continue
			}
			for _, c := range codings(get(r, "bodySite")) {
				d := strings.ToLower(text(c, "display"))
				n++
				t.hold(!strings.Contains(d, "right"), "a surgery on the left has a bodySite on the right")
				t.hold(strings.Contains(d, "left") || !strings.Contains(d, "toe"), "a toe is named without its side")
			}
		}
		t.hold(n > 0, "no procedure has a bodySite")
		t.saw("%d body sites of a surgery on the left great toe", n)
	}},
	{"R-TERM-09", func(t *trial) {
		t.ready()
		t.published("ucum")
		n := 0
		for _, r := range t.ofSuite() {
			walk(r, "", func(_, _ string, v any) {
				if text(v, "system") == "http://unitsofmeasure.org" && get(v, "value") != nil {
					n++
					t.hold(text(v, "code") != "", "a quantity in UCUM has no code")
				}
			})
		}
		t.hold(n > 0, "no quantity is in UCUM")
		t.invalid("ucum", `{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":1,"unit":"mmHg","system":"http://unitsofmeasure.org","code":"mmHg"}}`)
		t.accepted()
		t.saw("%d quantities", n)
	}},
	{"R-TERM-13", func(t *trial) {
		t.ready()
		told := false
		for _, f := range list(t.w.flagged.answer, "flags") {
			told = told || text(f, "code") == "unlisted-value" && text(f, "place") == "/surgery/dressing"
		}
		t.hold(told, "a code that is not listed is not told with its place")
		t.hold(len(list(t.w.flagged.answer, "resources")) > 20, "the rest of the record is not published")
		for _, r := range t.everything(t.w.flagged) {
			walk(r, "", func(_, name string, v any) {
				t.hold(name != "code" || v != "seaweed", "a code that is not listed is published as one")
			})
		}
		listed := false
		for _, r := range t.everything(t.w.main) {
			for _, c := range codings(get(r, "usedCode")) {
				listed = listed || text(c, "code") == "non-adherent"
			}
		}
		t.hold(listed, "its twin that is listed is not published")
		t.saw("an unlisted dressing is told and not coded, a listed one is coded")
	}},
}

// published are displays of codes of other systems, each with where it is
// published: SNOMED International's Global Patient Set of 2020-09 (HL7 THO, ValueSet
// snomed-intl-gps), LOINC, and HL7's own code systems (R4, terminologies-systems.html).
var published = map[string]string{
	"http://terminology.hl7.org/CodeSystem/provenance-participant-type|assembler": "Assembler",
	"http://terminology.hl7.org/CodeSystem/provenance-participant-type|author":    "Author",
	"http://terminology.hl7.org/CodeSystem/v3-DataOperation|CREATE":               "create",
	"http://terminology.hl7.org/CodeSystem/v3-DataOperation|UPDATE":               "revise",
	"http://terminology.hl7.org/CodeSystem/observation-category|vital-signs":      "Vital Signs",
	"http://loinc.org|29463-7": "Body weight",
	snomed + "|439740005":      "Postoperative follow-up visit",
	snomed + "|226007004":      "Post-surgical wound care",
	snomed + "|386761002":      "Local anesthesia",
	snomed + "|61661004":       "Operative procedure on foot",
	snomed + "|400097005":      "Ingrowing nail",
}

// everyCoding goes over every coding of the cases of the suite.
func (t *trial) everyCoding(f func(any)) {
	for _, r := range t.ofSuite() {
		walk(r, "", func(_, name string, v any) {
			if name == "coding" {
				for _, c := range list(v) {
					f(c)
				}
			}
		})
	}
}

// ofConcepts holds codings of SNOMED CT to the address of the system and to ids of
// concepts, and $validate to the refusal of what is none: the id of a description, a
// term, an id with a digit that is wrong. Latex is 111088007 in the Global Patient Set; the
// last digits but one tell a description (01) from a concept (00), the last is by Verhoeff
// (SNOMED CT Release File Specifications, SCTID).
func ofConcepts(t *trial) {
	t.ready()
	t.published("digits")
	n := 0
	t.everyCoding(func(c any) {
		system := text(c, "system")
		if system != snomed {
			low := strings.ToLower(system)
			t.hold(!strings.Contains(low, "snomed") && !strings.Contains(low, "2.16.840.1.113883.6.96"), "a coding has SNOMED CT by another address")
			return
		}
		n++
		t.hold(concept(text(c, "code")), "a SNOMED CT code is no id of a concept")
	})
	t.hold(n > 0, "no coding is of SNOMED CT")
	for _, code := range []string{"2840245016", "Latex", "111088008"} {
		t.invalid("digits", allergyTo(code))
	}
	t.accepts(allergyTo("111088007"))
	t.saw("%d codings of SNOMED CT, and what is none refused", n)
}

// allergyTo is an allergy by a code of SNOMED CT.
func allergyTo(code string) string {
	return `{"resourceType":"AllergyIntolerance","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical","code":"active"}]},"code":{"coding":[{"system":"` +
		snomed + `","code":"` + code + `"}]},"patient":{"reference":"Patient/1"}}`
}

// concepts are those of a code system, those below others too.
func concepts(v any) (out []any) {
	for _, c := range list(v) {
		out = append(append(out, c), concepts(get(c, "concept"))...)
	}
	return out
}

var digits = regexp.MustCompile(`^[1-9][0-9]{5,17}$`)

// concept reports the id of a concept of SNOMED CT: 6 to 18 digits, of which the
// last is Verhoeff's check digit and the two before it say that it is a concept's.
func concept(code string) bool {
	if !digits.MatchString(code) || !strings.HasSuffix(code[:len(code)-1], "00") && !strings.HasSuffix(code[:len(code)-1], "10") {
		return false
	}
	c := 0
	for i := range len(code) {
		d := int(code[len(code)-1-i] - '0')
		for range i % 8 {
			d = verhoeff[d]
		}
		c = dihedral(c, d)
	}
	return c == 0
}

// verhoeff is the permutation of Verhoeff's scheme.
var verhoeff = [10]int{1, 5, 7, 6, 2, 8, 3, 0, 9, 4}

// dihedral multiplies in the group of the symmetries of a pentagon.
func dihedral(a, b int) int {
	switch {
	case a < 5 && b < 5:
		return (a + b) % 5
	case a < 5:
		return 5 + (a+b-5)%5
	case b < 5:
		return 5 + (a-5-b+5)%5
	}
	return (a - b + 5) % 5
}

var provenanceChecks = []check{
	{"R-SEC-01", func(t *trial) {
		t.ready()
		ref := t.w.main.one("CarePlan")
		versions := list(t.history(ref+"/_history").tree, "entry")
		b := t.found("Provenance?target=" + ref + "&_count=200")
		told := map[string]int{}
		for _, p := range b.matches {
			roles := codingsOf(p, "agent", "type")
			t.hold(slices.Contains(roles, "assembler") && slices.Contains(roles, "author"), "a Provenance does not name who assembled and who wrote")
			t.hold(text(p, "entity", 0, "what", "identifier", "value") != "" || text(p, "entity", 0, "what", "reference") != "", "a Provenance does not name its source")
			for _, x := range list(p, "target") {
				t.hold(strings.Contains(text(x, "reference"), "/_history/"), "a target names no version")
				told[text(x, "reference")]++
			}
		}
		for _, e := range versions {
			v := ref + "/_history/" + text(e, "resource", "meta", "versionId")
			t.hold(told[v] == 1, "a version has %d Provenances", told[v])
		}
		n := t.allTold()
		t.saw("%d versions of a plan, each with its Provenance, and %d resources of a patient", len(versions), n)
	}},
	{"R-SEC-12", injections},
	{"R-PROF-01", func(t *trial) {
		all := refs(t.all("Procedure?" + t.mine() + "&_count=200"))
		t.must(len(all) > 1, "there are no procedures")
		_, start, _ := t.sitting()
		next := start.AddDate(0, 0, 2).Format("2006-01-02")
		t.same("Procedure?"+t.mine()+"&_count=200", all)
		t.same("Procedure?"+t.mine()+"&_count=200&date=ge"+t.w.day+"&date=le"+next, dated(t, all))
		t.same("Procedure?"+t.mine()+"&_count=200&date=gt"+start.AddDate(0, 0, -2).Format("2006-01-02")+"&date=lt"+next, dated(t, all))
		t.none("Procedure?" + t.mine() + "&date=gt" + next)
		t.none("Procedure?" + t.mine() + "&date=lt1999-01-01")
		t.saw("%d procedures by patient, and by patient and date", len(all))
	}},
	{"R-PROF-04", func(t *trial) {
		t.ready()
		ref := t.w.main.one("CarePlan")
		beside := refs(t.found("CarePlan?_id=" + idOf(ref) + "&_revinclude=Provenance:target").includes)
		t.hold(len(beside) > 0, "no Provenance is included")
		t.same("Provenance?target="+ref+"&_count=200", beside)
		for _, p := range t.found("Provenance?target=" + ref + "&_count=200").matches {
			t.hold(targets(p, ref), "a Provenance of something else is found")
		}
		t.none("Provenance?target=CarePlan/none")
		t.saw("%d Provenances, found both ways", len(beside))
	}},
}

// allTold holds that every resource of the main patient is the target of one
// Provenance, in the version that it has.
func (t *trial) allTold() (n int) {
	var all []string
	for _, r := range t.everything(t.w.main) {
		if text(r, "resourceType") != "Provenance" {
			all = append(all, refOf(r)+"/_history/"+text(r, "meta", "versionId"))
		}
	}
	for some := range slices.Chunk(all, 40) {
		told := map[string]int{}
		for _, p := range t.all("Provenance?_count=100&target=" + strings.Join(some, ",")) {
			for _, x := range list(p, "target") {
				told[text(x, "reference")]++
			}
		}
		for _, v := range some {
			n++
			t.hold(told[v] == 1, "a %s has %d Provenances", typeOf(v), told[v])
		}
	}
	return n
}

// dated are the procedures of the main patient with a date.
func dated(t *trial, all []string) (out []string) {
	for _, r := range t.procedures() {
		if get(r, "performedPeriod") != nil || get(r, "performedDateTime") != nil {
			out = append(out, refOf(r))
		}
	}
	slices.Sort(out)
	t.hold(len(out) <= len(all), "there are more procedures than before")
	return out
}

func codingsOf(r any, listName, member string) (out []string) {
	for _, x := range list(r, listName) {
		for _, c := range codings(get(x, member)) {
			out = append(out, text(c, "code"))
		}
	}
	return out
}

// hostile are strings of injection.
var hostile = []string{`'; DROP TABLE x;--`, `" OR "1"="1`, `../../../etc/passwd`, `%00`, "a\r\nX-Injected: 1", `<script>x()</script>`, `{{7*7}}`, `$(id)`, strings.Repeat("(", 2000)}

// injections sends strings of injection in parameters, paths, headers and bodies.
func injections(t *trial) {
	want := refs(t.found("Patient?identifier=" + t.w.mainIdentifier(t)).matches)
	harmless := func(x *exchange, where string) {
		t.hold(x.status < 500, "a string of injection in %s is answered %d", where, x.status)
		t.hold(x.header.Get("X-Injected") == "", "a header was injected by %s", where)
		t.hold(len(readBundle(x).matches) == 0, "a string of injection in %s finds something", where)
	}
	for _, h := range hostile {
		q := url.QueryEscape(h)
		harmless(t.get("Patient?family="+q), "a string")
		harmless(t.get("Patient?identifier="+q), "a token")
		harmless(t.get("CarePlan?patient="+q), "a reference")
		harmless(t.get("CarePlan?date="+q), "a date")
		harmless(t.get("CarePlan?"+q+"=1"), "a name")
		harmless(t.get("CarePlan/"+url.PathEscape(h)), "an id")
		harmless(t.send(http.MethodPost, "Patient/_search", form, []byte("family="+q)), "a form")
	}
	x := t.get("metadata", "X-Request-Id", `"><script>`)
	t.hold(x.status < 500 && !strings.Contains(x.header.Get("X-Request-Id"), "<script>"), "a header is given back as it came")
	for _, name := range []string{"Accept", "Prefer", "If-None-Match", "If-Modified-Since"} {
		x := t.get(t.w.main.one("Patient"), name, hostile[0]+hostile[5])
		t.hold(x.status < 500, "a string of injection in %s is answered %d", name, x.status)
	}
	fields := t.everyField(hostile[0] + hostile[5])
	deep := []byte(`{"resourceType":"Patient","extension":` + strings.Repeat(`[{"extension":`, 2000) + `[]` + strings.Repeat(`}]`, 2000) + `}`)
	t.hold(t.send(http.MethodPost, "Patient/$validate", fhirJSON, deep).status < 500, "deep nesting is a failure of the server")
	r := t.own("hostile").edit(hostile[5]+hostile[0], "surgery", "advice", "text").edit(hostile[5], "patient", "name", "given", 0)
	t.stored(r)
	for _, p := range t.everything(r) {
		t.hold(!strings.Contains(text(p, "text", "div"), "<script"), "a narrative holds a script that was sent")
	}
	t.hold(strings.Join(refs(t.found("Patient?identifier="+t.w.main.identifier()).matches), "") == strings.Join(want, ""), "the data are not what they were")
	t.saw("%d strings in parameters, paths, headers and bodies, one in each of %d fields of a record", len(hostile), fields)
}

// everyField sends a string in each field of a record in turn, without its being kept.
func (t *trial) everyField(hostile string) (n int) {
	var fields func(v any, path []any)
	fields = func(v any, path []any) {
		switch x := v.(type) {
		case map[string]any:
			for k := range x {
				fields(x[k], append(slices.Clone(path), k))
			}
		case []any:
			if len(x) > 0 {
				fields(x[0], append(slices.Clone(path), 0))
			}
		case string:
			n++
			answer := t.post(t.w.main.clinic, "?dry-run=true", "application/json", encode(set(t.w.main.content, hostile, path...)))
			t.hold(answer.status < 500, "a string of injection in a field of a record is answered %d", answer.status)
		}
	}
	fields(t.w.main.content, nil)
	return n
}

func (w *world) mainIdentifier(t *trial) string { t.ready(); return w.main.identifier() }

// firstChecks are the requests that a hub sends first.
var firstChecks = []check{
	{"hub-active-plans", func(t *trial) {
		plan := t.ok(t.w.mainPlan(t)).tree
		c := codings(get(plan, "category"))
		t.must(len(c) > 0, "the plan has no category")
		b := t.found("CarePlan?" + t.mine() + "&status=active&category=" + url.QueryEscape(token(c[0])) + "&_include=CarePlan:goal&_include=CarePlan:condition")
		t.hold(len(b.matches) == 1 && refOf(b.matches[0]) == refOf(plan), "another plan than the active one is found")
		t.hold(slices.ContainsFunc(b.includes, func(r any) bool { return text(r, "resourceType") == "Goal" }) &&
			slices.ContainsFunc(b.includes, func(r any) bool { return text(r, "resourceType") == "Condition" }), "its goals or its condition are not beside it")
		t.saw("the active plan with goals and condition")
	}},
	{"hub-by-number", func(t *trial) {
		t.ready()
		x := t.send(http.MethodPost, "CarePlan/_search", form, []byte("patient.identifier="+t.w.main.identifier()))
		t.hold(strings.Join(refs(readBundle(x).matches), "") == t.w.main.one("CarePlan"), "the number of a patient does not find the plan")
		t.saw("the plan by the patient's number")
	}},
	{"hub-changed-since", func(t *trial) {
		plan := t.ok(t.w.mainPlan(t)).tree
		b := t.found("CarePlan?_lastUpdated=ge" + lastOf(plan) + "&_sort=_lastUpdated&_count=100")
		t.hold(refOf(b.matches[0]) == refOf(plan), "what changed first since then does not come first")
		for i := range b.matches[1:] {
			t.hold(lastOf(b.matches[i]) <= lastOf(b.matches[i+1]), "what changed is not in order")
		}
		t.saw("%d plans that changed since", len(b.matches))
	}},
	{"hub-feed", func(t *trial) {
		plan := t.ok(t.w.mainPlan(t)).tree
		methods := map[string]int{}
		for _, b := range t.pages("CarePlan/_history?_since=" + lastOf(plan) + "&_count=100") {
			for _, e := range list(b.tree, "entry") {
				methods[text(e, "request", "method")]++
			}
		}
		t.hold(methods["PUT"]+methods["POST"] > 0 && methods["DELETE"] > 0, "the feed lacks writes or deletions")
		t.saw("writes and deletions since")
	}},
	{"hub-reviews", func(t *trial) {
		b := t.found("Observation?based-on=" + t.w.mainPlan(t) + "&_sort=-date")
		for i := range b.matches[1:] {
			t.hold(!moment(b.matches[i]).Before(moment(b.matches[i+1])), "the reviews are not in order")
		}
		t.saw("%d findings of reviews", len(b.matches))
	}},
	{"hub-due", func(t *trial) {
		plan := t.w.mainPlan(t)
		path := "CarePlan?" + t.mine() + "&status=active&activity-date=ge" + t.w.day + "&activity-date=le2099-01-01"
		t.same(path, []string{plan})
		t.none("CarePlan?" + t.mine() + "&activity-date=le1999-01-01")
		t.saw("the plan by the windows of its reviews")
	}},
	{"hub-surgery", func(t *trial) {
		plan := t.ok(t.w.mainPlan(t)).tree
		b := t.found("Procedure?encounter=" + text(plan, "encounter", "reference") + "&_count=200")
		ref, _, _ := t.sitting()
		t.hold(slices.Contains(refs(b.matches), ref), "the encounter of the plan does not find the surgery")
		t.saw("%d procedures of the encounter", len(b.matches))
	}},
}

func (w *world) mainPlan(t *trial) string { t.ready(); return w.main.one("CarePlan") }
