package suite

import (
	"bytes"
	"encoding/base64"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

var pageChecks = []check{
	{"R-PAGE-01", func(t *trial) {
		more := false
		for _, n := range []int{1, 5, 7} {
			b := t.found("Observation?" + t.mine() + "&_count=" + strconv.Itoa(n) + "&_include=Observation:encounter")
			t.hold(len(b.matches) <= n, "_count=%d gives %d matches", n, len(b.matches))
			more = more || len(b.matches) == n && b.next != ""
		}
		if t.hold(more, "no page was full and not the last") {
			t.saw("pages of 1, 5 and 7")
		}
	}},
	{"R-PAGE-03", func(t *trial) {
		n := len(t.observations())
		t.must(n > 0, "there are no observations")
		for _, q := range []string{"_count=0", "_summary=count"} {
			b := t.search("Observation?" + t.mine() + "&" + q)
			t.hold(b.total == strconv.Itoa(n), "%s tells another total than a walk finds", q)
			t.hold(len(list(b.tree, "entry")) == 0, "%s has entries", q)
			t.hold(len(b.related) == 1 && b.self != "", "%s has other links than self", q)
			t.saw("%s gives the total of %d", q, n)
		}
	}},
	{"R-PAGE-05", func(t *trial) {
		all := refs(t.observations())
		pages := t.pages("Observation?" + t.mine() + "&_count=7")
		var got []any
		for i, b := range pages {
			got = append(got, b.matches...)
			for _, r := range b.related {
				t.hold(slices.Contains([]string{"self", "first", "previous", "prev", "next", "last"}, r), "a page has a link of another relation")
			}
			t.hold((b.next != "") == (i < len(pages)-1), "the last page has a next")
		}
		t.hold(slices.Equal(refs(got), all), "a walk finds %d of %d", len(got), len(all))
		if t.hold(len(pages) > 2, "a walk over %d has %d pages", len(all), len(pages)) {
			t.saw("a walk of %d pages", len(pages))
		}
	}},
	{"R-PAGE-08", func(t *trial) {
		dates := map[string]int{}
		all := t.observations()
		for _, r := range all {
			dates[text(r, "effectiveDateTime")]++
		}
		most := 0
		for _, n := range dates {
			most = max(most, n)
		}
		t.must(most > 7, "no 8 observations have one date")
		t.same("Observation?"+t.mine()+"&_sort=date&_count=7", refs(all))
		t.saw("%s of one date, by pages of 7", of(most, 200, "matches"))
	}},
	{"R-PAGE-10", func(t *trial) {
		b := t.found("Observation?" + t.mine() + "&patient.identifier=" + t.w.main.identifier() + "&_count=3")
		t.must(b.next != "", "there is no second page")
		clear := unsealed(b.next)
		for _, d := range append(t.numbers(), idOf(t.w.main.one("Patient"))) {
			t.hold(!strings.Contains(clear, d), "the link to the next page shows whose data it is of")
		}
		next := t.local(b.next)
		t.ok(next)
		x := t.ask(request{method: http.MethodGet, path: "/fhir/" + next, key: t.o.Clinics[0].Key})
		t.refused(x, http.StatusForbidden)
	}},
	{"R-PAGE-12", func(t *trial) {
		n := strconv.Itoa(len(t.observations()))
		for _, b := range t.pages("Observation?" + t.mine() + "&_count=20&_total=accurate&_include=Observation:encounter") {
			t.hold(b.total == n, "a page tells a total of %s, a walk finds %s", b.total, n)
			t.hold(len(b.includes) > 0, "a page has no includes")
		}
		t.hold(t.found("Observation?"+t.mine()+"&_count=5&_total=none").total == "", "_total=none tells a total")
		whole := t.found("Observation?" + t.mine() + "&_count=200&_include=Observation:encounter")
		t.hold(whole.total == "" || whole.total == n, "the total of a whole answer is another")
		t.saw("a total of %s on each page, beside includes", n)
	}},
	{"R-PAGE-17", func(t *trial) {
		b := t.found("CarePlan?" + t.mine() + "&_include=CarePlan:goal&_include=CarePlan:patient&_include=CarePlan:replaces")
		want := []string{t.w.main.one("Patient")}
		for _, g := range list(b.matches[0], "goal") {
			want = append(want, text(g, "reference"))
		}
		slices.Sort(want)
		t.hold(slices.Equal(refs(b.includes), slices.Compact(want)), "%d are included, %d are referred to", len(b.includes), len(want))
		t.hold(len(t.found("CarePlan?"+t.mine()).includes) == 0, "something is included that was not asked for")
		t.saw("%d goals and the patient; what is not there is passed over", len(want)-1)
	}},
	{"R-PAGE-19", func(t *trial) {
		b := t.found("CarePlan?" + t.mine() + "&_revinclude=Provenance:target")
		ref := refOf(b.matches[0])
		t.must(len(b.includes) > 0, "no Provenance is included")
		for _, r := range b.includes {
			t.hold(targets(r, ref), "a Provenance of something else is included")
		}
		t.saw("%d Provenances of a plan", len(b.includes))
		if !contains(t.types(), "type", "AuditEvent") {
			x := t.get("CarePlan?" + t.mine() + "&_revinclude=AuditEvent:entity")
			t.hold(x.status == http.StatusBadRequest, "an include that is not declared is answered %d", x.status)
		}
	}},
	{"R-PAGE-21", func(t *trial) {
		pages := t.pages("Observation?" + t.mine() + "&_count=20&_include=Observation:encounter&_include=Observation:subject")
		for _, b := range pages {
			have := refs(b.includes)
			for _, r := range b.matches {
				t.hold(slices.Contains(have, text(r, "subject", "reference")), "a page lacks the patient of its matches")
				if e := text(r, "encounter", "reference"); e != "" {
					t.hold(slices.Contains(have, e), "a page lacks the encounter of its matches")
				}
			}
		}
		if t.hold(len(pages) > 1, "there is one page") {
			t.saw("the includes of %d pages", len(pages))
		}
	}},
	{"R-PAGE-22", func(t *trial) {
		all := refs(t.observations())
		b := t.found("Patient?_id=" + idOf(t.w.mainPatient(t)) + "&_revinclude=Observation:subject")
		t.hold(slices.Equal(refs(b.includes), all) || len(b.outcomes) > 0, "%d of %d are included, and nothing says so", len(b.includes), len(all))
		t.hold(len(b.includes) > 0, "nothing is included")
		t.saw("beside one match, all or with a word on it: %s", of(len(b.includes), 2000, "resources included"))
	}},
	{"R-PAGE-24", func(t *trial) {
		path := "CarePlan?" + t.mine() + "&_summary="
		whole := t.found(path + "false").matches[0]
		t.hold(get(whole, "text") != nil && get(whole, "activity") != nil && !subsetted(whole), "false is not the whole")
		for form, ok := range map[string]func(any) bool{
			"true": func(r any) bool {
				return get(r, "status") != nil && get(r, "period") != nil && only(r, summarized)
			},
			"text": func(r any) bool {
				return get(r, "text") != nil && get(r, "status") != nil && only(r, textual)
			},
			"data": func(r any) bool {
				return bytes.Equal(encode(set(r, nil, "meta")), encode(set(set(whole, nil, "meta"), nil, "text")))
			},
		} {
			r := t.found(path + form).matches[0]
			t.hold(ok(r), "_summary=%s has other elements than it should", form)
			t.hold(subsetted(r), "_summary=%s is not tagged", form)
		}
		b := t.search(path + "count")
		t.hold(b.total == "1" && len(list(b.tree, "entry")) == 0, "_summary=count is not the total alone")
		t.saw("its five forms")
	}},
	{"R-PAGE-26", func(t *trial) {
		for _, keys := range []string{"-date,_id", "date,-_id"} {
			b := t.found("Observation?" + t.mine() + "&_count=200&_sort=" + keys)
			t.hold(queryOf(b.self).Get("_sort") == keys, "self does not say how it is sorted")
			down, idDown := strings.HasPrefix(keys, "-"), strings.HasSuffix(keys, "-_id")
			dated := slices.DeleteFunc(slices.Clone(b.matches), func(r any) bool { return moment(r).IsZero() })
			t.must(len(dated) > 1, "there are no observations of one time")
			for i := range dated[1:] {
				a, z := dated[i], dated[i+1]
				x, y := moment(a), moment(z)
				switch {
				case x.Equal(y):
					t.hold((refOf(a) > refOf(z)) == idDown, "of one date, the second key is not followed")
				default:
					t.hold(x.After(y) == down, "the first key is not followed")
				}
			}
			t.saw("by %s", keys)
		}
		x := t.get("Observation?" + t.mine() + "&_sort=nosuch")
		t.hold(x.status == http.StatusBadRequest || len(readBundle(x).outcomes) > 0, "a key that there is not is passed over in silence")
	}},
}

// numbers are the numbers of the patients of the suite.
func (t *trial) numbers() (out []string) {
	out = append(out, t.w.main.patient, t.w.flagged.patient, t.w.declined.patient)
	for _, r := range t.wrote {
		out = append(out, r.patient)
	}
	return out
}

// unsealed is a link with what of it can be read: its parameters unescaped, and
// decoded where they are base64.
func unsealed(link string) string {
	out := []string{link}
	if plain, err := url.QueryUnescape(link); err == nil {
		out = append(out, plain)
	}
	for _, values := range queryOf(link) {
		for _, v := range values {
			for _, e := range []*base64.Encoding{base64.StdEncoding, base64.RawStdEncoding, base64.URLEncoding, base64.RawURLEncoding} {
				if b, err := e.DecodeString(v); err == nil {
					out = append(out, string(b))
				}
			}
		}
	}
	return strings.Join(out, "\n")
}

// targets reports a Provenance of a resource, in any version.
func targets(provenance any, ref string) bool {
	return slices.ContainsFunc(list(provenance, "target"), func(x any) bool {
		bare, _, _ := strings.Cut(text(x, "reference"), "/_history/")
		return bare == ref
	})
}
