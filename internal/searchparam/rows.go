package searchparam

import (
	"encoding/json"
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"nailbridge/mapping/resource"
)

// Index makes rows and reads queries. Both sides must use the same values, so
// a deployment that changes its zone has to index again.
type Index struct {
	// Base is the public base URL, without a slash at the end. References
	// under it are references to ourselves (D8.3).
	Base string
	// Zone is where dates without an offset stand, in resources and in
	// queries alike; nil is UTC. It never comes from the process.
	Zone *time.Location
	// Offer is what searches may use; nil is everything. Rows are made of all.
	Offer *Offer
}

func (x Index) zone() *time.Location {
	if x.Zone == nil {
		return time.UTC
	}
	return x.Zone
}

// Rows gives the index rows of a resource, without repeats, in the order of
// parameter names. A type that is not searched has none. _lastUpdated is not
// among them: see LastUpdated. An error is a fault of an expression, or beyond
// the engine's budget; it holds no value of the resource.
func (x Index) Rows(r resource.Resource) ([]Row, error) {
	tree := r.Tree()
	var out []Row
	for _, d := range Definitions(r.Type()) {
		if d.Name == LastUpdatedName || d.Kind == Composite { // the parts have rows
			continue
		}
		values, err := d.values(tree)
		if err != nil {
			return nil, err
		}
		var rows []Row
		for _, v := range values {
			rows = append(rows, x.rows(d, v)...)
		}
		if version := textOf(tree["version"]); d.names() && version != "" {
			rows = append(rows, versioned(rows, version)...)
		}
		if len(values) > 0 && !slices.ContainsFunc(rows, func(r Row) bool { return r.Param == d.Name }) {
			rows = append(rows, Row{Param: d.Name + presentRows, Kind: Token, Code: "true"})
		}
		out = append(out, rows...)
	}
	return withoutRepeats(out), nil
}

// Rows beside those of a parameter's own name.
const (
	// presentRows say that there is a value, of which no other row could be
	// made, such as a concept in words alone: it is not missing.
	presentRows = ":present"
	// exactRows hold strings to the letter, for :exact.
	exactRows = ":exact"
	// sortedRows hold strings as they are sorted by: whole, as those of names are
	// not, and without case and accents (search.html#sort).
	sortedRows = ":sorted"
	// identifierRows hold the identifiers by which references refer, for
	// :identifier.
	identifierRows = ":identifier"
)

// PresentParam is the name of the rows that stand in for values that no other
// row could be made of.
func PresentParam(param string) string { return param + presentRows }

// LastUpdated is the row of _lastUpdated of a version committed at t.
func LastUpdated(t time.Time) Row {
	t = t.UTC().Truncate(time.Millisecond)
	return Row{Param: LastUpdatedName, Kind: Date, Lo: t, Hi: t.Add(time.Millisecond)}
}

func withoutRepeats(rows []Row) []Row {
	seen := make(map[Row]bool, len(rows))
	return slices.DeleteFunc(rows, func(r Row) bool {
		if seen[r] {
			return true
		}
		seen[r] = true
		return false
	})
}

// rows gives the rows of one value of one parameter.
func (x Index) rows(d *Definition, v any) []Row {
	row := Row{Param: d.Name, Kind: d.Kind}
	switch d.Kind {
	case Token:
		return tokenRows(d, row, v)
	case Reference:
		return x.referenceRows(d, row, v)
	case URI:
		return uriRows(d, row, textOf(v))
	case String:
		return stringRows(row, v)
	case Date:
		i, ok := elementInterval(v, x.zone())
		if !ok {
			return nil
		}
		row.Lo, row.Hi = i.lo, i.hi
		return []Row{row}
	case Quantity:
		return quantityRows(row, v)
	}
	return nil
}

// quantityRows index a Quantity by its value and its unit, by code and in words
// (search.html#quantity).
func quantityRows(row Row, v any) []Row {
	m, _ := v.(map[string]any)
	n, _ := m["value"].(json.Number)
	key, ok := NumberKey(n.String())
	if !ok {
		return nil
	}
	row.Number, row.System, row.Code, row.Unit = key, textOf(m["system"]), textOf(m["code"]), textOf(m["unit"])
	return []Row{row}
}

// tokenRows follows the table of search.html#token. A code element implies its
// system and has none written, so it is found by both forms; a string is compared
// without regard to case.
func tokenRows(d *Definition, row Row, v any) []Row {
	switch v := v.(type) {
	case map[string]any:
		switch d.Element {
		case "CodeableConcept":
			codings, _ := v["coding"].([]any)
			var out []Row
			for _, c := range codings {
				if m, ok := c.(map[string]any); ok {
					out = appendToken(out, row, textOf(m["system"]), textOf(m["code"]))
				}
			}
			return out
		case "Coding":
			return appendToken(nil, row, textOf(v["system"]), textOf(v["code"]))
		case "Identifier":
			return appendToken(nil, row, textOf(v["system"]), textOf(v["value"]))
		case "ContactPoint":
			return appendToken(nil, row, "", textOf(v["value"]))
		}
	case bool:
		if v {
			return appendToken(nil, row, "", "true")
		}
		return appendToken(nil, row, "", "false")
	case string:
		out := appendToken(nil, row, "", d.cased(v))
		if d.System != "" {
			out = appendToken(out, row, d.System, v)
		}
		return out
	}
	return nil
}

// cased is a value of a token parameter as it is compared: with its case, but of a
// string without (search.html#token).
func (d *Definition) cased(v string) string {
	if d.Element == "string" {
		return cases.Fold().String(v)
	}
	return v
}

func appendToken(out []Row, row Row, system, code string) []Row {
	if system == "" && code == "" {
		return out
	}
	row.System, row.Code = system, code
	return append(out, row)
}

// referenceRows indexes a literal reference; one that names a version is found
// without it too (search.html#versions), and a canonical with a version
// likewise. A contained reference has no row, a logical one that of its
// identifier.
func (x Index) referenceRows(d *Definition, row Row, v any) []Row {
	if d.Element == "canonical" {
		return uriRows(d, row, textOf(v))
	}
	m, ok := v.(map[string]any)
	if !ok {
		return nil
	}
	var out []Row
	if id, ok := m["identifier"].(map[string]any); ok {
		out = appendToken(out, Row{Param: row.Param + identifierRows, Kind: Token}, textOf(id["system"]), textOf(id["value"]))
	}
	ref := x.local(textOf(m["reference"]))
	if ref == "" || strings.HasPrefix(ref, "#") {
		return out
	}
	row.Code = ref
	out = append(out, row)
	if current, _, ok := strings.Cut(ref, "/_history/"); ok {
		row.Code = current
		out = append(out, row)
	}
	return out
}

// local makes an absolute reference to ourselves relative.
func (x Index) local(ref string) string {
	if x.Base != "" {
		if rest, ok := strings.CutPrefix(ref, x.Base+"/"); ok {
			return rest
		}
	}
	return ref
}

// names reports the parameter of the URL by which a definition is referred to.
func (d *Definition) names() bool {
	return d.Name == "url" && slices.Contains(ArtifactTypes(), d.Type)
}

// versioned are rows of URLs with the version after them, as a canonical reference
// may have it (search.html#uri).
func versioned(rows []Row, version string) []Row {
	out := slices.Clone(rows)
	for i := range out {
		out[i].Code += "|" + version
	}
	return out
}

func uriRows(d *Definition, row Row, v string) []Row {
	if v == "" {
		return nil
	}
	row.Code = v
	out := []Row{row}
	if bare, _, ok := strings.Cut(v, "|"); ok && d.Element == "canonical" {
		row.Code = bare
		out = append(out, row)
	}
	return out
}

// stringRows indexes a string as a whole. The names of people are indexed from
// each of their words on, so that the second of two family names is found.
func stringRows(row Row, v any) []Row {
	whole := func(s string) []Row {
		exact, sorted := row, row
		exact.Param, exact.Text, sorted.Param = row.Param+exactRows, s, row.Param+sortedRows
		return append(textRows(sorted, []string{Fold(s)}), exact)
	}
	switch v := v.(type) {
	case string:
		texts := []string{Fold(v)}
		if row.Param == "family" || row.Param == "given" {
			texts = tails(texts[0])
		}
		return append(textRows(row, texts), whole(v)...)
	case map[string]any: // HumanName
		var out []Row
		for _, member := range []string{"family", "given", "prefix", "suffix", "text"} {
			words, many := v[member].([]any)
			if !many {
				words = []any{v[member]}
			}
			for _, s := range words {
				if t := textOf(s); t != "" {
					out = slices.Concat(out, textRows(row, tails(Fold(t))), whole(t))
				}
			}
		}
		return out
	}
	return nil
}

func textRows(row Row, texts []string) []Row {
	var out []Row
	for _, t := range texts {
		if t != "" {
			row.Text = t
			out = append(out, row)
		}
	}
	return out
}

// tails gives a folded s and every rest of it that begins at a word.
func tails(s string) []string {
	out := []string{s}
	for i, r := range s {
		if r == ' ' {
			out = append(out, s[i+1:])
		}
	}
	return out
}

// Fold makes a string comparable without regard to case, accents, punctuation and
// repeated blanks (search.html#string). A dash parts words, as a blank does.
func Fold(s string) string {
	s = norm.NFKD.String(s)
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.Is(unicode.Pd, r):
			return ' '
		case unicode.Is(unicode.Mn, r) || unicode.IsPunct(r):
			return -1
		}
		return r
	}, s)
	return strings.Join(strings.Fields(cases.Fold().String(s)), " ")
}
