package hub

import (
	"iter"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
)

// fhirJSON is the media type of everything here (http.html#mime-type).
const fhirJSON = "application/fhir+json"

// formats are the values of _format that mean JSON (http.html#parameters); an
// unescaped + arrives as a blank.
var formats = []string{"json", "application/json", fhirJSON, "text/json"}

// offered are the media types of answers, the general ones as asked for. The
// first is given where the client does not care.
var offered = []string{fhirJSON, "application/json", "text/json"}

// negotiate settles the form of the answer from _format, else from Accept.
func (r *request) negotiate() error {
	format, err := r.one("_format")
	if err != nil {
		return err
	}
	pretty, err := r.one("_pretty")
	if err != nil {
		return err
	}
	if pretty != "" && pretty != "true" && pretty != "false" {
		return faultf(http.StatusBadRequest, "value", "_pretty must be true or false")
	}
	r.pretty = pretty == "true"
	if format != "" {
		r.media = fhirJSON
		name, params, err := mime.ParseMediaType(strings.Replace(format, "application/fhir json", fhirJSON, 1))
		if err != nil || !slices.Contains(formats, name) || !fits(params) {
			return errFormat()
		}
		return nil
	}
	if _, ok := accepted(r.c.Request.Header.Values("Accept")); !ok {
		return errFormat()
	}
	return nil
}

func errFormat() *fault {
	return faultf(http.StatusNotAcceptable, "not-supported", "answers are %s, fhirVersion 4.0", fhirJSON)
}

// isVersion reports whether a fhirVersion parameter is absent or R4's
// (http.html#version-parameter).
func isVersion(v string) bool { return v == "" || v == "4.0" || v == "4.0.1" }

// isUTF8 reports whether a charset parameter is absent or that of FHIR JSON
// (http.html#mime-type).
func isUTF8(charset string) bool { return charset == "" || strings.EqualFold(charset, "utf-8") }

// fits reports whether our answers have the parameters of a media range. Those
// that mean nothing here are passed over.
func fits(params map[string]string) bool {
	return isVersion(params["fhirversion"]) && isUTF8(params["charset"])
}

// elements gives the elements of a list header, of which there may be several
// (RFC 9110 section 5.6.1): empty ones are left out, a comma in quotes parts
// nothing.
func elements(headers []string) iter.Seq[string] {
	return func(yield func(string) bool) {
		quoted, escaped := false, false
		for part := range strings.FieldsFuncSeq(strings.Join(headers, ","), func(c rune) bool {
			switch {
			case escaped:
				escaped = false
			case quoted && c == '\\':
				escaped = true
			case c == '"':
				quoted = !quoted
			}
			return c == ',' && !quoted
		}) {
			if part = strings.TrimSpace(part); part != "" && !yield(part) {
				return
			}
		}
	}
}

// weighed reads an element with its weight (RFC 9110 section 12.4.2); one that
// cannot be read counts for nothing. Weights like ".2", which old clients send,
// are taken.
func weighed(element string) (name string, params map[string]string, q float64, ok bool) {
	name, params, err := mime.ParseMediaType(element)
	if err != nil {
		return "", nil, 0, false
	}
	q = 1
	if s, has := params["q"]; has {
		if q, err = strconv.ParseFloat(s, 64); err != nil || !(q >= 0 && q <= 1) {
			return "", nil, 0, false
		}
	}
	return name, params, q, true
}

// mediaRange is one range of an Accept header that FHIR JSON of R4 may meet.
type mediaRange struct {
	media    string // a full type, "type/*" or "*/*"
	q        float64
	narrowed bool // by a parameter
}

// accepted chooses the media type of the answer (RFC 9110 section 12.5.1): the
// most specific range that an offered type meets says its quality; the greatest
// quality above 0 counts, of equals the range sent first. No range at all, as
// without the header or with an empty one, takes anything.
func accepted(headers []string) (string, bool) {
	var ranges []mediaRange
	asked := false
	for e := range elements(headers) {
		asked = true
		media, params, q, ok := weighed(e)
		if !ok || !fits(params) {
			continue
		}
		if media == "application/json+fhir" { // the spelling of before R4
			media = fhirJSON
		}
		ranges = append(ranges, mediaRange{media, q, params["fhirversion"] != "" || params["charset"] != ""})
	}
	if !asked {
		return fhirJSON, true
	}
	best, bestQ, bestAt := "", 0.0, 0
	for _, media := range offered {
		if q, at := quality(ranges, media); q > bestQ || q > 0 && q == bestQ && at < bestAt {
			best, bestQ, bestAt = media, q, at
		}
	}
	return best, best != ""
}

// quality gives what the most specific range that a type meets says of it, and
// where that range stands; 0 when it meets none.
func quality(ranges []mediaRange, media string) (q float64, at int) {
	major, _, _ := strings.Cut(media, "/")
	best := -1
	for i, m := range ranges {
		specific := 2 * slices.Index([]string{"*/*", major + "/*", media}, m.media)
		if m.narrowed {
			specific++
		}
		if specific > best { // -2 and -1 meet nothing
			best, q, at = specific, m.q, i
		}
	}
	return q, at
}

// handling gives the handling of the Prefer headers: "strict", "lenient" or "".
func handling(headers []string) string {
	for part := range strings.FieldsFuncSeq(strings.Join(headers, ","), func(r rune) bool { return r == ',' || r == ';' }) {
		name, value, _ := strings.Cut(part, "=")
		if strings.EqualFold(strings.TrimSpace(name), "handling") {
			return strings.Trim(strings.TrimSpace(value), `"`)
		}
	}
	return ""
}
