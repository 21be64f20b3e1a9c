package suite

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
)

var receivingChecks = []check{
	{"R-ING-01", sameByBothDoors},
	{"R-ING-02", byEachDoor(func(t *trial) {
		r := t.own("again")
		t.stored(r)
		named, plan := r.answer, t.ok(r.one("CarePlan"))
		var wg sync.WaitGroup
		results := make([]*trial, 4)
		for i := range results {
			wg.Add(1)
			go func() {
				defer wg.Done()
				results[i] = t.try(t.ctx, func(u *trial) {
					u.overNATS = t.overNATS
					for range 2 {
						x := u.post(r.clinic, "", "application/json", encode(r.content))
						u.is(x, "a repeat", "unchanged", http.StatusOK)
						u.hold(slices.Equal(resourcesOf(x.tree), resourcesOf(named)), "a repeat names other resources")
						u.saw("a repeat")
					}
				})
			}()
		}
		wg.Wait()
		for _, u := range results {
			t.faults, t.exchanges = append(t.faults, u.faults...), append(t.exchanges, u.exchanges...)
		}
		repeat := t.judging()
		again := t.ok(refOf(plan.tree))
		t.hold(again.header.Get("ETag") == plan.header.Get("ETag"), "a repeat makes a version")
		t.hold(len(t.found("CarePlan?patient="+idOf(r.one("Patient"))).matches) == 1, "a repeat makes another plan")
		t.sawIn(repeat, "8 repeats, of which 4 at once")
	})},
	{"R-ING-03", byEachDoor(func(t *trial) {
		r := t.own("update")
		t.stored(r)
		first, weight := t.ok(r.one("CarePlan")), t.weightOf(r)
		t.stored(t.next(r).edit(json.Number("64.20"), "surgery", "weight", "kg"))
		second := t.weightOf(r)
		read := t.judging()
		t.hold(refOf(weight) == refOf(second) && text(second, "valueQuantity", "value") == "64.20", "an update does not change the resource that was there")
		t.hold(text(weight, "meta", "versionId") != text(second, "meta", "versionId"), "an update makes no version")
		t.hold(len(t.found("CarePlan?patient="+idOf(r.one("Patient"))).matches) == 1 && refOf(first.tree) == r.one("CarePlan"), "an update makes a second record")
		t.sawIn(read, "an update of the same resources")
	})},
	{"R-ING-04", byEachDoor(func(t *trial) {
		r := t.own("late")
		t.stored(r)
		old := encode(r.content)
		t.next(r)
		middle := encode(r.edit(json.Number("61.10"), "surgery", "weight", "kg").content)
		t.next(r)
		t.stored(r.edit(json.Number("62.20"), "surgery", "weight", "kg"))
		for _, late := range [][]byte{middle, old} {
			x := t.post(r.clinic, "", "application/json", late)
			if t.is(x, "a late older content", "superseded", http.StatusOK) {
				t.sawIn(x, "an older content after a newer one")
			}
		}
		t.hold(text(t.weightOf(r), "valueQuantity", "value") == "62.20", "a late older content counts")
	})},
	{"R-ING-08", byEachDoor(func(t *trial) {
		r := t.own("refused")
		t.stored(r)
		plan := t.ok(r.one("CarePlan"))
		bad := set(set(r.content, json.Number("2"), "revision"), "upwards", "surgery", "toes", 0, "side")
		x := t.post(r.clinic, "", "application/json", encode(bad))
		t.problem(x, http.StatusUnprocessableEntity)
		t.hold(contains(list(x.tree, "reasons"), "pointer", "/surgery/toes/0/side"), "the refusal does not name the place")
		t.problem(t.post(r.clinic, "", "application/json", []byte("<record/>")), http.StatusBadRequest)
		listed := t.ask(request{method: http.MethodGet, path: "/records/" + r.clinic.ID + "?list=refused", key: r.clinic.Key})
		t.hold(contains(list(listed.tree, "deliveries"), "record", r.record), "what was refused is not listed")
		t.hold(t.ok(r.one("CarePlan")).header.Get("ETag") == plan.header.Get("ETag"), "what was refused changes what is published")
		if t.overNATS {
			behind := t.publishAll(r.clinic, encode(bad), encode(r.content))
			t.is(behind[0], "what is refused", "refused")
			t.is(behind[1], "what is behind it in the stream", "unchanged")
		} else {
			lines := t.post(r.clinic, "", "application/x-ndjson", []byte(string(encode(bad))+"\n"+string(encode(r.content))+"\n"))
			answers := strings.Split(strings.TrimSpace(string(lines.body)), "\n")
			t.must(len(answers) == 2, "two lines have %d answers", len(answers))
			t.hold(text(parse([]byte(answers[0])), "answer") == "refused" && text(parse([]byte(answers[1])), "answer") == "unchanged", "a refused line keeps the next from its answer")
		}
		t.stored(t.next(r).edit(json.Number("63.30"), "surgery", "weight", "kg"))
		t.sawIn(x, "refused with its places, listed, and the next is taken")
	})},
	{"R-ING-12", byEachDoor(inAnyOrder)},
	{"R-ING-15", byEachDoor(func(t *trial) {
		t.ready()
		t.must(t.w.other != nil, "its subject did not occur: no second test clinic was named")
		a, b := t.o.Clinics[0], t.o.Clinics[1]
		before := t.ok(t.w.main.one("CarePlan"))
		later := json.Number("50")
		var wall *exchange
		if t.overNATS {
			t.wallsAtNATS(a, b, encode(set(t.w.main.content, later, "revision")))
			t.wallsAtNATS(b, a, encode(set(t.w.other.content, later, "revision")))
			wall = t.judging()
		} else {
			t.problem(t.post(Clinic{ID: a.ID, Key: b.Key}, "", "application/json", encode(set(t.w.main.content, later, "revision"))), http.StatusForbidden)
			t.problem(t.post(Clinic{ID: b.ID, Key: a.Key}, "", "application/json", encode(set(t.w.other.content, later, "revision"))), http.StatusForbidden)
			t.problem(t.ask(request{method: http.MethodGet, path: "/records/" + a.ID + "/" + t.w.main.record, key: b.Key}), http.StatusForbidden)
			wall = t.judging()
		}
		t.hold(t.ok(t.w.main.one("CarePlan")).header.Get("ETag") == before.header.Get("ETag"), "a record of another clinic changes what is published")
		t.hold(t.w.main.one("Patient") != t.w.other.one("Patient"), "two clinics share a patient")
		t.sawIn(wall, "the key of another clinic opens nothing")
	})},
	{"receiving-answer", byEachDoor(func(t *trial) {
		r := t.own("answered")
		first := t.stored(r)
		t.names(first, r)
		t.is(first, "a first receipt", "stored", http.StatusCreated)
		second := t.stored(t.next(r).edit(json.Number("65.40"), "surgery", "weight", "kg"))
		t.names(second, r)
		t.is(second, "a second revision", "stored", http.StatusOK)
		t.hold(!slices.Equal(resourcesOf(first.tree), resourcesOf(second.tree)), "an update names the versions from before")
		t.sawIn(second, "%d resources, each in the version that is read", len(resourcesOf(second.tree)))
	})},
	{"receiving-repeat", byEachDoor(func(t *trial) {
		t.ready()
		x := t.post(t.w.main.clinic, "", "application/json", encode(t.w.main.content))
		t.is(x, "a repeat", "unchanged", http.StatusOK)
		t.saw("a repeat is unchanged")
	})},
	{"receiving-order", byEachDoor(func(t *trial) {
		r := t.own("early")
		review := t.fill(r.clinic, "review", t.named("early-review"), t.named("P-early"), "@surgery", r.record)
		waits := t.deliver(review)
		t.is(waits, "a review before its surgery", "waiting", http.StatusAccepted)
		t.stored(r)
		b := t.found("Observation?based-on=" + r.one("CarePlan") + "&_count=200")
		t.sawIn(waits, "a review before its surgery waits")
		t.saw("then it counts, with %d findings", len(b.matches))
	})},
	{"receiving-conflict", byEachDoor(func(t *trial) {
		r := t.own("conflict")
		t.stored(r)
		older := encode(set(r.content, json.Number("60.60"), "surgery", "weight", "kg"))
		later := encode(r.edit(t.saved(), "savedAt").edit(json.Number("61.60"), "surgery", "weight", "kg").content)
		x := t.post(r.clinic, "", "application/json", later)
		t.is(x, "another content of the same revision", "conflict", http.StatusOK)
		t.hold(get(x.tree, "counts") == true, "the later of two contents does not count")
		t.hold(contains(list(x.tree, "flags"), "level", "critical"), "a conflict raises no critical flag")
		y := t.post(r.clinic, "", "application/json", older)
		t.is(y, "an earlier content of the same revision", "conflict", http.StatusConflict)
		t.hold(get(y.tree, "counts") == false, "the earlier of two contents counts")
		t.hold(text(t.weightOf(r), "valueQuantity", "value") == "61.60", "not the later content counts")
		settled := t.stored(t.next(r))
		t.hold(!contains(list(settled.tree, "flags"), "code", "conflict"), "a higher revision does not settle it")
		t.sawIn(x, "both kept, the later counts, settled by a higher revision")
	})},
	{"receiving-flags", byEachDoor(flagsArePublished)},
	{"receiving-withdrawal", byEachDoor(func(t *trial) {
		t.ready()
		all := []any(nil)
		if t.overNATS {
			r := t.own("withdrawn")
			t.stored(r)
			patient := r.one("Patient")
			t.stored(t.next(r).edit("withdrawn", "status"))
			all = t.compartment(patient)
		} else {
			t.exchanges = append(t.exchanges, t.w.withdrawal)
			all = t.everything(t.w.withdrawn)
		}
		for _, r := range all {
			switch text(r, "resourceType") {
			case "Procedure", "Observation", "Encounter", "CarePlan", "MedicationAdministration", "Composition":
				t.hold(text(r, "status") == "entered-in-error", "a %s of a withdrawn record is %q", text(r, "resourceType"), text(r, "status"))
				t.saw("a %s entered in error", text(r, "resourceType"))
			case "Goal":
				t.hold(text(r, "lifecycleStatus") == "entered-in-error", "a Goal of a withdrawn record is %q", text(r, "lifecycleStatus"))
			case "Condition":
				t.hold(text(r, "verificationStatus", "coding", 0, "code") == "entered-in-error", "a Condition of a withdrawn record stands")
			}
		}
	})},
	{"receiving-refusal", byEachDoor(func(t *trial) {
		t.ready()
		content, query := t.w.main.content, "?dry-run=true"
		var own *sent
		if t.overNATS { // where there is no dry run
			own = t.fill(t.o.Clinics[0], "surgery", t.named("malformed"), t.named("P-malformed"))
			content, query = own.content, ""
		}
		refuse := func(bad []byte, status int) {
			t.problem(t.post(t.o.Clinics[0], query, "application/json", bad), status)
		}
		good := encode(content)
		for _, bad := range []any{
			set(content, nil, "patient", "identifier", "value"), set(content, "done", "status"), set(content, "other", "kind"),
			set(content, nil, "author"), set(content, nil, "surgery", "toes", 0, "digit"),
			set(content, "yesterday", "surgery", "toes", 0, "tourniquets", 0, "on"), set(content, "much", "surgery", "toes", 0, "block", "agents", 0, "mL"),
		} {
			refuse(encode(bad), http.StatusUnprocessableEntity)
		}
		refuse(append(slices.Clone(good), "{}"...), http.StatusBadRequest)
		twice := strings.Replace(string(good), `"kind":"surgery"`, `"kind":"surgery","kind":"review"`, 1)
		refuse([]byte(twice), http.StatusUnprocessableEntity)
		unknown := set(set(content, "a word", "surgery", "nosuch"), json.Number("60"), "revision")
		if own != nil {
			t.none("Patient?identifier=" + own.identifier())
			own.content, own.revision = unknown, 60
			t.stored(own)
			return
		}
		x := t.post(t.w.main.clinic, query, "application/json", encode(unknown))
		t.is(x, "an unknown member", "stored", http.StatusOK)
	})},
	{"receiving-dry-run", func(t *trial) {
		r := t.own("dry")
		x := t.post(r.clinic, "?dry-run=true", "application/json", encode(r.content))
		t.must(text(x.tree, "answer") == "stored" && get(x.tree, "dryRun") == true, "a dry run is answered %d %q", x.status, text(x.tree, "answer"))
		if t.hold(get(x.tree, "resources", 0, "resource") != nil, "a dry run shows no resource") {
			t.sawIn(x, "the whole answer")
		}
		t.none("Patient?identifier=" + r.identifier())
		t.nothingOf(r)
		t.saw("nothing is written")
	}},
}

// severities are those of flags by their level (D2.4); a note is in the answer alone.
var severities = map[string]string{"critical": "high", "warning": "moderate"}

// flagsArePublished holds that each flag of an answer is a DetectedIssue of its severity,
// with what it says, why it is raised and what it is about, and that no other is there.
func flagsArePublished(t *trial) {
	t.ready()
	r := t.w.flagged
	if t.overNATS {
		r = t.own("flagged").edit("seaweed", "surgery", "dressing")
		t.stored(r)
	}
	published := map[string]any{}
	for _, d := range t.all("DetectedIssue?_count=100&patient=" + idOf(r.one("Patient"))) {
		published[text(d, "identifier", 0, "value")] = d
	}
	found := t.judging()
	levels, expected := map[string]int{}, 0
	for _, f := range list(r.answer, "flags") {
		level, code := text(f, "level"), text(f, "code")
		d := published[text(f, "flag")]
		if severities[level] == "" {
			t.hold(d == nil, "a note %s is published", code)
			continue
		}
		expected++
		levels[level]++
		if !t.hold(d != nil, "a %s flag %s is not published", level, code) {
			continue
		}
		t.hold(text(d, "severity") == severities[level], "a %s flag %s is published with severity %q", level, code, text(d, "severity"))
		t.hold(text(d, "detail") == text(f, "text"), "a %s flag %s does not say what it does in the answer", level, code)
		why := codingsOf(d, "evidence", "code")
		t.hold(slices.Contains(why, code), "a %s flag %s does not say why it is raised", level, code)
		about := list(d, "implicated")
		t.hold(len(about) > 0, "a %s flag %s is about nothing", level, code)
		for _, x := range about {
			t.hold(text(t.get(text(x, "reference")).tree, "id") == idOf(text(x, "reference")), "a %s flag %s is about what is not there", level, code)
		}
		t.hold(contains(list(d, "meta", "tag"), "code", "open"), "a %s flag %s is not tagged open", level, code)
	}
	t.hold(len(published) == expected, "%d flags are published, %d were answered", len(published), expected)
	if t.hold(levels["critical"] > 0 && levels["warning"] > 0, "no critical flag or no warning was raised") {
		t.sawIn(found, "%d critical flags and %d warnings, each as it was answered", levels["critical"], levels["warning"])
	}
}

// is holds an answer of the receiving side to its kind and, over HTTP, to the status
// that goes with it (D2).
func (t *trial) is(x *exchange, what, answer string, status ...int) bool {
	return t.hold(text(x.tree, "answer") == answer && (x.method == viaNATS || slices.Contains(status, x.status)),
		"%s is answered %d %q, not %q", what, x.status, text(x.tree, "answer"), answer)
}

// problem holds an answer of the receiving side to a refusal: over HTTP as of RFC 9457,
// over NATS with its reasons.
func (t *trial) problem(x *exchange, status int) {
	defer t.of(x)()
	if x.method == viaNATS {
		if t.is(x, "a record that must not be taken", "refused") && t.hold(text(x.tree, "reasons", 0, "code") != "", "a refusal has no reason") {
			t.saw("refused as %s", text(x.tree, "reasons", 0, "code"))
		}
		return
	}
	if t.hold(x.status == status, "a record that must not be taken is answered %d, not %d", x.status, status) &&
		t.hold(media(x) == "application/problem+json" && text(x.tree, "status") == strconv.Itoa(status) && text(x.tree, "title") != "", "a refusal is no problem details") {
		t.saw("refused with %d", status)
	}
}

// names holds an answer to what it must name: the record, its revision, and of its
// resources the versions that are read.
func (t *trial) names(x *exchange, r *sent) {
	t.hold(text(x.tree, "clinic") == r.clinic.ID && text(x.tree, "record") == r.record && text(x.tree, "revision") == strconv.Itoa(r.revision), "an answer does not name its record and revision")
	versions := map[string]string{}
	for _, c := range t.compartment(r.one("Patient")) {
		versions[refOf(c)] = text(c, "meta", "versionId")
	}
	n := 0
	for _, named := range list(x.tree, "resources") {
		if v, is := versions[text(named, "reference")]; is {
			n++
			t.hold(v == text(named, "versionId"), "an answer names another version of a resource than is read")
		}
	}
	t.hold(n > 10, "of the patient an answer names %d resources", n)
}

// resourcesOf are the resources that an answer names, with their versions.
func resourcesOf(answer any) (out []string) {
	for _, r := range list(answer, "resources") {
		if !strings.HasPrefix(text(r, "reference"), "Provenance/") { // of the commit, which a repeat does not make
			out = append(out, text(r, "reference")+" "+text(r, "versionId"))
		}
	}
	slices.Sort(out)
	return out
}

// weightOf is the weight of a record's patient.
func (t *trial) weightOf(r *sent) any {
	for _, o := range t.found("Observation?patient=" + idOf(r.one("Patient")) + "&_count=200").matches {
		if slices.ContainsFunc(codings(get(o, "code")), func(c any) bool { return token(c) == "http://loinc.org|29463-7" }) {
			return o
		}
	}
	t.must(false, "a record with a weight has no observation of it")
	return nil
}
