package hub

import (
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
var formats = []string{"json", "application/json", "application/fhir+json", "application/fhir json", "text/json"}

// generic are the general media types that are answered as asked for.
var generic = []string{"application/json", "text/json"}

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
		name, version, _ := strings.Cut(format, ";")
		_, v, _ := strings.Cut(version, "=")
		if !slices.Contains(formats, strings.TrimSpace(name)) || !isVersion(strings.TrimSpace(v)) {
			return errFormat()
		}
		return nil
	}
	media, ok := accepted(r.c.Request.Header.Values("Accept"))
	if !ok {
		return errFormat()
	}
	r.media = media
	return nil
}

func errFormat() *fault {
	return faultf(http.StatusNotAcceptable, "not-supported", "answers are %s, fhirVersion 4.0", fhirJSON)
}

// isVersion reports whether a fhirVersion parameter is absent or R4's
// (http.html#version-parameter).
func isVersion(v string) bool { return v == "" || v == "4.0" || v == "4.0.1" }

// accepted chooses the media type of the answer: the JSON form with the
// greatest quality, the first of equals; no Accept header takes anything.
func accepted(headers []string) (string, bool) {
	if len(headers) == 0 {
		return fhirJSON, true
	}
	best, bestQ := "", 0.0
	for part := range strings.SplitSeq(strings.Join(headers, ","), ",") {
		media, params, err := mime.ParseMediaType(part)
		if err != nil || !isVersion(params["fhirversion"]) {
			continue
		}
		q := 1.0
		if s, ok := params["q"]; ok {
			if q, err = strconv.ParseFloat(s, 64); err != nil || q < 0 || q > 1 {
				continue
			}
		}
		if offered := offer(media); offered != "" && q > bestQ {
			best, bestQ = offered, q
		}
	}
	return best, best != ""
}

// offer gives the media type that answers a media range; "" when none does.
func offer(media string) string {
	switch {
	case slices.Contains(generic, media):
		return media
	case media == fhirJSON, media == "application/json+fhir", media == "application/*", media == "*/*":
		return fhirJSON
	case media == "text/*":
		return "text/json"
	}
	return ""
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
