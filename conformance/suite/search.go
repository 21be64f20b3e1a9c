package suite

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
)

// mine is the criterion of the main patient.
func (t *trial) mine() string { t.ready(); return "patient=" + idOf(t.w.main.one("Patient")) }

var searchChecks = []check{
	{"R-SRCH-01", func(t *trial) {
		t.found("Procedure?" + t.mine())
		b := t.search("Procedure?patient=none")
		t.hold(len(b.matches) == 0 && (b.total == "" || b.total == "0"), "a search for nobody finds %d", len(b.matches))
		t.saw("one with matches and an empty one")
	}},
	{"R-SRCH-02", func(t *trial) {
		all := refs(t.found("Observation?" + t.mine() + "&_count=200").matches)
		code := t.aCode()
		want := refs(t.found("Observation?" + t.mine() + "&_count=200&code=" + code).matches)
		t.must(len(want) < len(all), "a criterion leaves nothing out")
		for _, r := range [][2]string{{"", t.mine() + "&_count=200&code=" + code}, {"?" + t.mine() + "&_count=200", "code=" + code}, {"?code=" + code, t.mine() + "&_count=200"}} {
			x := t.send(http.MethodPost, "Observation/_search"+r[0], form, []byte(r[1]))
			t.must(x.status == http.StatusOK, "POST _search is answered %d", x.status)
			if t.hold(slices.Equal(refs(readBundle(x).matches), want), "POST _search finds something else than GET") {
				t.saw("the same as GET, with parameters in the body and the URL")
			}
		}
	}},
	{"R-SRCH-04", func(t *trial) {
		b := t.found("CarePlan?"+t.mine()+"&status=active&foo=1", "Prefer", "handling=lenient")
		t.must(b.self != "", "there is no link self")
		q := queryOf(b.self)
		t.hold(q.Get("status") == "active" && q.Get("patient") != "", "self lacks a parameter that was used")
		t.hold(!q.Has("foo"), "self has a parameter that was left out")
		for name := range q {
			t.hold(name == "status" || name == "patient" || strings.HasPrefix(name, "_"), "self has a parameter that was not asked for")
		}
		t.same(t.local(b.self), refs(b.matches))
		t.hold(t.search("CarePlan?patient=none").self != "", "an empty searchset has no self")
		t.sawIn(b.exchange, "self, and what it finds again")
	}},
	{"R-SRCH-05", func(t *trial) {
		path := "CarePlan?" + t.mine() + "&foo=bar"
		want := refs(t.found("CarePlan?" + t.mine()).matches)
		t.refused(t.get(path), http.StatusBadRequest)
		b := t.search(path, "Prefer", "handling=lenient")
		t.hold(slices.Equal(refs(b.matches), want), "with handling=lenient something else is found")
		t.hold(len(b.outcomes) > 0, "nothing warns that it was left out")
	}},
	{"R-SRCH-06", func(t *trial) {
		t.found("CarePlan?" + t.mine())
		x := t.get("CarePlan?"+t.mine()+"&foo=bar", "Prefer", "handling=strict")
		t.refused(x, http.StatusBadRequest)
		t.hold(strings.Contains(string(x.body), "foo"), "the refusal does not name the parameter")
		t.refused(t.get("CarePlan?"+t.mine()+"&_revinclude=Nonsense:foo", "Prefer", "handling=strict"), http.StatusBadRequest)
	}},
	{"R-SRCH-08", func(t *trial) {
		t.ready()
		b := t.found("CarePlan?foo=bar&_count=1", "Prefer", "handling=lenient")
		t.must(len(b.outcomes) > 0, "nothing is said where every filter was left out")
		n := 0
		for _, i := range list(b.outcomes[0], "issue") {
			if text(i, "severity") == "warning" {
				n++
			}
		}
		t.hold(n > 1, "that no filter is left is not told beside the parameter")
		t.saw("%d warnings", n)
	}},
	{"R-SRCH-09", func(t *trial) {
		t.found("Procedure?" + t.mine())
		for _, q := range []string{"date:exact=2024", "status:foo=completed", "patient:contains=a"} {
			t.refused(t.get("Procedure?"+t.mine()+"&"+q), http.StatusBadRequest)
		}
	}},
	{"R-SRCH-10", func(t *trial) {
		t.found("Procedure?" + t.mine())
		t.refused(t.get("Procedure?"+t.mine()+"&date=23May2009"), http.StatusBadRequest)
		for _, q := range []string{"subject=Patient/none", "code=" + url.QueryEscape("urn:none|1"), t.mine() + "&date=1901-01-01"} {
			t.none("Procedure?" + q)
		}
	}},
	{"R-SRCH-12", func(t *trial) {
		a, b := t.twoCodes()
		one, two := refs(t.all("Observation?"+t.mine()+"&code="+a)), refs(t.all("Observation?"+t.mine()+"&code="+b))
		t.must(len(one) > 0 && len(two) > 0, "a code of an observation does not find it")
		either := slices.Compact(slices.Sorted(slices.Values(append(slices.Clone(one), two...))))
		t.same("Observation?"+t.mine()+"&code="+a+","+b, either)
		t.none("Observation?" + t.mine() + "&code=" + a + "&code=" + b)
		t.same("Observation?"+t.mine()+"&code="+a+","+b+"&code="+a, one)
		t.saw("commas as or, repeats as and")
	}},
	{"R-SRCH-17", func(t *trial) {
		t.ready()
		ref := t.w.main.one("Patient")
		for _, typ := range []string{"CarePlan", "Procedure", "Condition"} {
			want := refs(t.found(typ + "?" + t.mine() + "&_count=200").matches)
			t.same(ref+"/"+typ+"?_count=200", want)
			t.saw("the %ss of the compartment", typ)
		}
		all := refs(t.all(ref + "/*?_count=200"))
		for _, r := range t.types() {
			if typ := text(r, "type"); contains(list(r, "searchParam"), "name", "patient") {
				want := refs(t.all(typ + "?" + t.mine() + "&_count=200"))
				t.hold(common(want, all) == len(want), "* lacks %d of %d %ss of the patient", len(want)-common(want, all), len(want), typ)
			}
		}
		for _, r := range t.w.flagged.refs("CarePlan") {
			t.hold(!slices.Contains(all, r), "* has resources of another patient")
		}
		for _, o := range t.all(ref + "/*?_count=200") {
			subject := text(o, "subject", "reference") + text(o, "patient", "reference")
			t.hold(subject == "" || subject == ref, "* has a %s of another patient", text(o, "resourceType"))
		}
	}},
	{"R-SRCH-20", func(t *trial) {
		t.found("Patient?_id=" + idOf(t.w.mainPatient(t)))
		gone := t.w.declined
		t.none("Patient?_id=" + idOf(gone.one("Patient")))
		t.none("Patient?identifier=" + gone.identifier())
		t.none("CarePlan?patient=" + idOf(gone.one("Patient")))
		t.none("CarePlan?_id=" + idOf(gone.one("CarePlan")))
		b := t.found("Practitioner?_id=" + idOf(t.w.main.one("Practitioner")) + "&_revinclude=CarePlan:performer&_revinclude=Procedure:performer&_revinclude=Observation:performer")
		t.hold(len(b.includes) > 0, "nothing was included beside a practitioner")
		for _, r := range b.includes {
			t.hold(text(r, "subject", "reference") != gone.one("Patient"), "what is deleted was included")
		}
		t.saw("nothing of what is gone")
	}},
}

// mainPatient is the patient of the main record.
func (w *world) mainPatient(t *trial) string { t.ready(); return w.main.one("Patient") }

func queryOf(link string) url.Values {
	u, err := url.Parse(link)
	if err != nil {
		return nil
	}
	return u.Query()
}

// observations are those of the main patient.
func (t *trial) observations() []any {
	return t.once("observations", func() []any { return t.all("Observation?" + t.mine() + "&_count=200") })
}

// procedures are those of the main patient.
func (t *trial) procedures() []any {
	return t.once("procedures", func() []any { return t.all("Procedure?" + t.mine() + "&_count=200") })
}

// aCode is a code of an observation of the main patient, as system|code.
func (t *trial) aCode() string { a, _ := t.twoCodes(); return a }

// twoCodes are codes of two observations, neither of which has both.
func (t *trial) twoCodes() (a, b string) {
	for _, o := range t.observations() {
		cs := codings(get(o, "code"))
		if len(cs) != 1 {
			continue
		}
		switch c := url.QueryEscape(token(cs[0])); {
		case a == "":
			a = c
		case c != a:
			return a, c
		}
	}
	t.must(false, "there are no observations with two codes")
	return "", ""
}
