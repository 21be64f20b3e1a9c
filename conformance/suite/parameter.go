package suite

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

var parameterChecks = []check{
	{"R-SP-01", func(t *trial) {
		t.ready()
		a, b := idOf(t.w.main.one("CarePlan")), idOf(t.w.flagged.one("CarePlan"))
		t.same("CarePlan?_id="+a, []string{"CarePlan/" + a})
		t.same("CarePlan?_id="+a+","+b, slices.Sorted(slices.Values([]string{"CarePlan/" + a, "CarePlan/" + b})))
		t.none("CarePlan?_id=" + strings.ToUpper(a))
		t.saw("plans by their ids")
	}},
	{"R-SP-02", func(t *trial) {
		all := t.observations()
		t.must(len(all) > 0, "there are no observations")
		var at string
		for _, r := range all {
			at = max(at, text(r, "meta", "lastUpdated"))
		}
		var old, fresh []any
		for _, r := range all {
			if text(r, "meta", "lastUpdated") == at {
				fresh = append(fresh, r)
			} else {
				old = append(old, r)
			}
		}
		t.must(len(old) > 0, "every observation was written at one instant")
		t.same("Observation?"+t.mine()+"&_count=200&_lastUpdated=ge"+at, refs(fresh))
		t.same("Observation?"+t.mine()+"&_count=200&_lastUpdated=lt"+at, refs(old))
		t.same("Observation?"+t.mine()+"&_count=200&_lastUpdated="+at, refs(fresh))
		t.none("Observation?" + t.mine() + "&_lastUpdated=gt" + at)
		t.saw("%d that changed last and %d that did not", len(fresh), len(old))
	}},
	{"R-SP-03", func(t *trial) {
		t.ready()
		flagged := "patient=" + idOf(t.w.flagged.one("Patient"))
		b := t.found("DetectedIssue?" + flagged + "&_count=200")
		var tagged []any
		var tag any
		for _, r := range b.matches {
			if c := get(r, "meta", "tag", 0); c != nil {
				tag, tagged = c, append(tagged, r)
			}
		}
		t.must(tag != nil, "nothing carries a tag")
		t.same("DetectedIssue?"+flagged+"&_count=200&_tag="+url.QueryEscape(token(tag)), refs(tagged))
		t.none("DetectedIssue?" + flagged + "&_tag=" + url.QueryEscape("urn:none|none"))
		var claimed []any
		all := t.observations()
		profile := any(nil)
		for _, r := range all {
			if p := list(r, "meta", "profile"); len(p) > 0 {
				profile = p[len(p)-1]
			}
		}
		t.must(profile != nil, "nothing claims a profile")
		for _, r := range all {
			if slices.Contains(list(r, "meta", "profile"), profile) {
				claimed = append(claimed, r)
			}
		}
		t.same("Observation?"+t.mine()+"&_count=200&_profile="+url.QueryEscape(fmt.Sprint(profile)), refs(claimed))
		t.none("Observation?" + t.mine() + "&_profile=http://none.example/p")
		t.none("Observation?" + t.mine() + "&_security=" + url.QueryEscape("urn:none|R"))
		t.none("Observation?" + t.mine() + "&_source=http://none.example/s")
		t.saw("by tag and by profile; nothing published has a security label or a source")
	}},
	{"R-SP-04", func(t *trial) {
		all := t.observations()
		for _, p := range [][2]string{{"value-quantity", "valueQuantity"}, {"based-on", "basedOn"}, {"encounter", "encounter"}} {
			var with, without []any
			for _, r := range all {
				if get(r, p[1]) != nil {
					with = append(with, r)
				} else {
					without = append(without, r)
				}
			}
			t.same("Observation?"+t.mine()+"&_count=200&"+p[0]+":missing=false", refs(with))
			t.same("Observation?"+t.mine()+"&_count=200&"+p[0]+":missing=true", refs(without))
			if len(with) > 0 && len(without) > 0 {
				t.saw("%s is missing from %d of %d", p[0], len(without), len(all))
			}
		}
	}},
	{"R-SP-06", func(t *trial) {
		all := t.procedures()
		c := t.someCoding(all)
		system, code := text(c, "system"), text(c, "code")
		want := having(all, func(x any) bool { return text(x, "code") == code && text(x, "system") == system })
		byCode := having(all, func(x any) bool { return text(x, "code") == code })
		bySystem := having(all, func(x any) bool { return text(x, "system") == system })
		bare := having(all, func(x any) bool { return text(x, "code") == code && text(x, "system") == "" })
		t.same("Procedure?"+t.mine()+"&_count=200&code="+url.QueryEscape(system+"|"+code), want)
		whole := t.judging()
		t.same("Procedure?"+t.mine()+"&_count=200&code="+url.QueryEscape(code), byCode)
		t.same("Procedure?"+t.mine()+"&_count=200&code="+url.QueryEscape(system+"|"), bySystem)
		t.same("Procedure?"+t.mine()+"&_count=200&code="+url.QueryEscape("|"+code), bare)
		t.none("Procedure?" + t.mine() + "&code=" + url.QueryEscape("urn:none|"+code))
		t.sawIn(whole, "the four forms of a token, %d, %d, %d and %d found", len(want), len(byCode), len(bySystem), len(bare))
	}},
	{"R-SP-07", func(t *trial) {
		for _, r := range t.procedures() {
			cs := codings(get(r, "code"))
			if len(cs) < 2 {
				continue
			}
			for _, c := range cs {
				b := t.search("Procedure?" + t.mine() + "&_count=200&code=" + url.QueryEscape(token(c)))
				t.hold(slices.Contains(refs(b.matches), refOf(r)), "a procedure of %d codings is not found by one of them", len(cs))
			}
			t.saw("a procedure by each of its %d codings", len(cs))
			return
		}
	}},
	{"R-SP-10", func(t *trial) {
		t.ready()
		plan := t.ok(t.w.main.one("CarePlan")).tree
		cs := codings(get(plan, "category"))
		t.must(len(cs) > 1, "the plan has no two categories")
		for _, c := range cs {
			t.found("CarePlan?" + t.mine() + "&category=" + url.QueryEscape(token(c)))
			t.none("CarePlan?" + t.mine() + "&category:not=" + url.QueryEscape(token(c)))
		}
		t.same("CarePlan?"+t.mine()+"&category:not="+url.QueryEscape("urn:none|none"), []string{refOf(plan)})
		all := t.observations()
		var value any
		var without []any
		for _, r := range all {
			if c := codings(get(r, "valueCodeableConcept")); value == nil && len(c) > 0 {
				value = c[0]
			}
		}
		t.must(value != nil, "no observation has a coded value")
		n := 0
		for _, r := range all {
			if !slices.ContainsFunc(codings(get(r, "valueCodeableConcept")), func(c any) bool { return token(c) == token(value) }) {
				without = append(without, r)
			}
			if get(r, "valueCodeableConcept") == nil {
				n++
			}
		}
		t.same("Observation?"+t.mine()+"&_count=200&value-concept:not="+url.QueryEscape(token(value)), refs(without))
		if n > 0 {
			t.saw(":not over %d, of which %d have no value", len(without), n)
		}
	}},
	{"R-SP-15", func(t *trial) {
		ref, start, end := t.sitting()
		path := "Procedure?" + t.mine() + "&_id=" + idOf(ref)
		day := start.UTC().Format("2006-01-02")
		t.same(path+"&date="+day, []string{ref})
		t.same(path+"&date="+day[:7], []string{ref})
		t.none(path + "&date=" + instant(start.Add(end.Sub(start)/2)))
		t.none(path + "&date=" + start.AddDate(0, 0, -1).UTC().Format("2006-01-02"))
		month, since := t.onset()
		t.same(since+"2025-11", []string{month})
		t.same(since+"2025", []string{month})
		t.none(since + "2025-11-15")
		t.saw("a period and a month by what holds them, and not by a part of them")
	}},
	{"R-SP-16", prefixes},
	{"R-SP-17", func(t *trial) {
		t.ready()
		plan := t.ok(t.w.main.one("CarePlan")).tree
		t.must(get(plan, "period", "start") != nil && get(plan, "period", "end") == nil, "the period of the plan is not open")
		path := "CarePlan?" + t.mine() + "&date="
		t.same(path+"ge2099-01-01", []string{refOf(plan)})
		t.same(path+"gt2099-01-01", []string{refOf(plan)})
		t.none(path + "eb2099-01-01")
		t.none(path + "lt1999-01-01")
		t.saw("a plan without end, beyond any date")
	}},
	{"R-SP-19", func(t *trial) {
		ref, start, _ := t.sitting()
		path := "Procedure?" + t.mine() + "&_id=" + idOf(ref) + "&date="
		t.refused(t.get(path+"ge2024-05-01T10"), http.StatusBadRequest)
		t.refused(t.get(path+"ge2024-5-1"), http.StatusBadRequest)
		early := start.Add(-time.Hour).UTC()
		for _, v := range []string{"ge" + early.Format("2006"), "ge" + early.Format("2006-01"), "ge" + strings.ReplaceAll(early.Format("2006-01-02T15:04Z"), ":", "%3A"), "ge" + early.Format("2006-01-02T15:04:05Z"),
			"ge" + early.Format("2006-01-02T15:04:05.000Z"), "ge" + early.Add(2*time.Hour).Format("2006-01-02T15:04") + "%2B02:00"} {
			t.same(path+v, []string{ref})
		}
		t.saw("dates of six precisions and spellings")
	}},
	{"R-SP-20", func(t *trial) {
		ref, start, _ := t.sitting()
		path := "Procedure?" + t.mine() + "&_id=" + idOf(ref) + "&date="
		for _, hours := range []int{-5, 0, 9} {
			zone := time.FixedZone("", hours*3600)
			at := func(d time.Duration) string { return url.QueryEscape(start.Add(d).In(zone).Format(time.RFC3339)) }
			t.same(path+"sa"+at(-time.Minute), []string{ref})
			t.none(path + "sa" + at(time.Minute))
			t.saw("the same instant at offset %d; the zone of the target's process is not changed from outside", hours)
		}
	}},
	{"R-SP-22", func(t *trial) {
		t.ready()
		ref := t.w.main.one("Patient")
		path := "Patient?identifier=" + t.w.main.identifier()
		for _, q := range []string{"family=mulld", "family=M%C3%9CLL", "family:contains=LLDOR", "family:exact=M%C3%BClldorn", "given=zoe"} {
			t.same(path+"&"+q, []string{ref})
		}
		for _, q := range []string{"family:exact=Mulldorn", "family=lldorn", "family:exact=M%C3%BClld"} {
			t.none(path + "&" + q)
		}
		t.saw("a name without its case and accents, from its start, exactly and within")
	}},
	{"R-SP-24", func(t *trial) {
		t.ready()
		ref := t.w.main.one("Patient")
		want := refs(t.found("CarePlan?patient=" + idOf(ref)).matches)
		t.same("CarePlan?patient="+ref, want)
		t.same("CarePlan?patient="+url.QueryEscape(t.publicBase()+"/"+ref), want)
		t.none("CarePlan?patient=" + url.QueryEscape("http://elsewhere.example/fhir/"+ref))
		t.saw("by id, by type and id, and by URL")
	}},
	{"R-SP-30", func(t *trial) {
		t.ready()
		plan := []string{t.w.main.one("CarePlan")}
		own := "_id=" + idOf(plan[0])
		t.same("CarePlan?"+own+"&patient.identifier="+t.w.main.identifier(), plan)
		t.none("CarePlan?" + own + "&patient.identifier=" + t.w.flagged.identifier())
		t.same("CarePlan?"+own+"&subject:Patient.birthdate=1988-05-14", plan)
		t.none("CarePlan?" + own + "&subject:Patient.birthdate=1988-05-15")
		t.same("CarePlan?"+own+"&encounter.date="+t.w.day, plan)
		t.none("CarePlan?" + own + "&encounter.date=1999-01-01")
		var ids []string
		for _, r := range t.found("Patient?identifier=" + t.w.main.identifier()).matches {
			ids = append(ids, idOf(refOf(r)))
		}
		t.same("CarePlan?patient.identifier="+t.w.main.identifier(), refs(t.found("CarePlan?patient="+strings.Join(ids, ",")).matches))
		t.same("CarePlan?"+own+"&performer:Practitioner._id="+idOf(t.w.main.one("Practitioner")), t.performed(plan))
		t.refused(t.get("CarePlan?"+own+"&performer.identifier=x"), http.StatusBadRequest)
		t.saw("three chains, each with a twin, one of them in two steps too; one over several types is refused, and by one type it is followed")
	}},
	{"R-SP-33", func(t *trial) {
		t.ready()
		t.must(t.w.other != nil, "its subject did not occur: no second test clinic was named")
		t.same("CarePlan?patient.identifier="+t.w.main.identifier(), []string{t.w.main.one("CarePlan")})
		t.same("Patient?identifier="+t.w.main.identifier(), []string{t.w.main.one("Patient")})
		for _, typ := range []string{"Patient", "CarePlan", "Procedure"} {
			t.refused(t.get(t.w.other.one(typ)), http.StatusNotFound)
		}
		t.none("CarePlan?patient.identifier=" + t.w.declined.identifier())
		b := t.found("Device?_id=" + idOf(t.w.main.one("Device")) + "&_revinclude=Provenance:agent")
		t.hold(len(b.includes) > 0, "nothing was included")
		for _, r := range b.includes {
			for _, x := range list(r, "target") {
				ref, _, _ := strings.Cut(text(x, "reference"), "/_history/")
				t.hold(!slices.Contains(t.w.other.refs("CarePlan"), ref), "an include shows what another clinic has")
			}
		}
	}},
	{"R-SP-34", func(t *trial) {
		var weight any
		for _, r := range t.observations() {
			if text(r, "valueQuantity", "value") == "71.50" {
				weight = r
			}
		}
		t.must(weight != nil, "no observation has the weight that was sent")
		ref, unit := []string{refOf(weight)}, "|"+text(weight, "valueQuantity", "system")+"|"+text(weight, "valueQuantity", "code")
		path := "Observation?" + t.mine() + "&_id=" + idOf(refOf(weight)) + "&value-quantity="
		for _, v := range []string{"71.5" + unit, "71.50" + unit, "71.5", "gt71" + unit, "lt72" + unit, "ge71.5" + unit, "71.5||" + text(weight, "valueQuantity", "code")} {
			t.same(path+url.QueryEscape(v), ref)
		}
		for _, v := range []string{"71" + unit, "gt71.5" + unit, "71.5|urn:none|kg", "lt71" + unit, "ne71.5" + unit} {
			t.none(path + url.QueryEscape(v))
		}
		t.saw("a weight by number, precision, unit and prefix")
	}},
}

// performed is a plan where the practitioner of the main record is to carry out a
// review, and nothing where it is not.
func (t *trial) performed(plan []string) []string {
	for _, a := range list(t.ok(plan[0]).tree, "activity") {
		if contains(list(a, "detail", "performer"), "reference", t.w.main.one("Practitioner")) {
			return plan
		}
	}
	return nil
}

// sitting is the surgery of the main patient, with its period.
func (t *trial) sitting() (ref string, start, end time.Time) {
	for _, r := range t.procedures() {
		a, errA := time.Parse(time.RFC3339, text(r, "performedPeriod", "start"))
		b, errB := time.Parse(time.RFC3339, text(r, "performedPeriod", "end"))
		if errA == nil && errB == nil && b.Sub(a) == 50*time.Minute {
			return refOf(r), a, b
		}
	}
	t.must(false, "no procedure has the period that was sent")
	return "", start, end
}

func instant(at time.Time) string { return url.QueryEscape(at.UTC().Format("2006-01-02T15:04:05Z")) }

// prefixes tries the nine prefixes by their definitions in R4 (search.html#prefix): on
// a period, on one without end, on an instant and on a month, by values that hold them,
// that lie within them, before them and after them.
func prefixes(t *trial) {
	ref, start, end := t.sitting()
	day := func(at time.Time, n int) string { return at.UTC().AddDate(0, 0, n).Format("2006-01-02") }
	const holds, within, before, after = "eq ge le", "ne gt lt ge le", "ne gt ge sa", "ne lt le eb"
	t.byPrefixes("Procedure?"+t.mine()+"&_id="+idOf(ref)+"&date=", ref, map[string]string{
		day(start, 0): holds + " ap", instant(start.Add(end.Sub(start) / 2)): within, day(start, -1): before, day(start, 1): after, "2001-01-01": before + " -ap",
	})
	plan := t.ok(t.w.main.one("CarePlan")).tree
	t.must(get(plan, "period", "start") != nil && get(plan, "period", "end") == nil, "the period of the plan is not open")
	t.byPrefixes("CarePlan?"+t.mine()+"&date=", refOf(plan), map[string]string{"2099-01-01": within, "1999-01-01": before})
	made, at := t.reviewed()
	t.byPrefixes("Observation?"+t.mine()+"&_id="+idOf(made)+"&date=", made, map[string]string{
		instant(at): holds + " ap", day(at, 0): holds + " ap", day(at, -1): before, day(at, 1): after, instant(at.Add(-time.Hour)): before, "2001-01-01": before + " -ap",
	})
	month, since := t.onset()
	t.byPrefixes(since, month, map[string]string{
		"2025-11": holds + " ap", "2025": holds, "2025-11-15": within, "2025-10": before, "2025-12": after, "2001-01": before + " -ap",
	})
	t.saw("the prefixes over a period, one without end, an instant and a month; no period without a start is published")
}

// byPrefixes holds what a search by a date finds, by the prefixes of each value: those
// that are named find a resource, and the others do not. What is about a value is left
// to a server, so that ap is tried where it is named, or named with a minus.
func (t *trial) byPrefixes(path, ref string, table map[string]string) {
	for value, yes := range table {
		for p := range strings.SplitSeq("eq ne gt lt ge le sa eb ap", " ") {
			switch named := strings.Fields(yes); {
			case slices.Contains(named, p):
				t.same(path+p+value, []string{ref})
			case p != "ap" || slices.Contains(named, "-ap"):
				t.none(path + p + value)
			}
		}
	}
}

// onset is the condition of the main patient, which began in a month, and a search for
// it by the date.
func (t *trial) onset() (ref, path string) {
	for _, r := range t.found("Condition?" + t.mine()).matches {
		if text(r, "onsetDateTime") == "2025-11" {
			return refOf(r), "Condition?" + t.mine() + "&_id=" + text(r, "id") + "&onset-date="
		}
	}
	t.must(false, "no condition has the month that was sent")
	return "", ""
}

// reviewed is an observation of the review, which was made at an instant.
func (t *trial) reviewed() (ref string, at time.Time) {
	for _, r := range t.observations() {
		at, err := time.Parse(time.RFC3339, text(r, "effectiveDateTime"))
		if err == nil && strings.Contains(text(r, "effectiveDateTime"), "T18:15") {
			return refOf(r), at
		}
	}
	t.must(false, "no observation has the time of the review")
	return "", at
}

// someCoding is a coding of a procedure that not all of them have.
func (t *trial) someCoding(all []any) any {
	for _, r := range all {
		for _, c := range codings(get(r, "code")) {
			if n := len(having(all, func(x any) bool { return token(x) == token(c) })); n > 0 && n < len(all) {
				return c
			}
		}
	}
	t.must(false, "no code tells procedures apart")
	return nil
}

// having are the resources with a coding of their code that fits.
func having(all []any, fits func(any) bool) []string {
	var out []any
	for _, r := range all {
		if slices.ContainsFunc(codings(get(r, "code")), fits) {
			out = append(out, r)
		}
	}
	return refs(out)
}
