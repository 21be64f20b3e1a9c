package searchparam

import (
	"encoding/json"
	"html"
	"slices"
	"strings"
)

// artifactVersion and artifactDate are those of the SearchParameters below; a
// definition that is changed gets others.
const (
	artifactVersion = "1.0.0"
	artifactDate    = "2026-11-27"
)

// searchParameter is R4's SearchParameter as far as we fill it
// (searchparameter.html).
type searchParameter struct {
	ResourceType string            `json:"resourceType"`
	ID           string            `json:"id"`
	Text         map[string]string `json:"text"`
	URL          string            `json:"url"`
	Version      string            `json:"version"`
	Name         string            `json:"name"`
	Status       string            `json:"status"`
	Date         string            `json:"date"`
	Publisher    string            `json:"publisher"`
	Description  string            `json:"description"`
	Code         string            `json:"code"`
	Base         []string          `json:"base"`
	Type         string            `json:"type"`
	Expression   string            `json:"expression"`
	MultipleOr   bool              `json:"multipleOr"`
	MultipleAnd  bool              `json:"multipleAnd"`
	Comparator   []string          `json:"comparator,omitempty"`
	Modifier     []string          `json:"modifier,omitempty"`
}

// Artifacts are the SearchParameters that define what R4 does not, as JSON, so
// that what the CapabilityStatement names can be read.
func Artifacts() ([][]byte, error) {
	var out [][]byte
	for _, typ := range CareTypes() {
		for _, d := range Definitions(typ) {
			if d.Own == "" {
				continue
			}
			b, err := json.Marshal(d.artifact())
			if err != nil {
				return nil, err
			}
			out = append(out, b)
		}
	}
	return out, nil
}

func (d *Definition) artifact() searchParameter {
	s := searchParameter{
		ResourceType: "SearchParameter", ID: d.Own[strings.LastIndexByte(d.Own, '/')+1:], URL: d.Own, Version: artifactVersion,
		Status: "active", Date: artifactDate, Publisher: "Nailbridge", Description: d.About,
		Code: d.Name, Base: []string{d.Type}, Type: string(d.Kind), Expression: d.Expression, MultipleOr: true, MultipleAnd: true,
		Modifier: []string{"missing"},
	}
	for part := range strings.SplitSeq(d.Name, "-") {
		s.Name += strings.ToUpper(part[:1]) + part[1:]
	}
	if d.Kind == Date {
		for _, p := range Prefixes {
			s.Comparator = append(s.Comparator, string(p))
		}
		slices.Sort(s.Comparator)
	}
	s.Text = map[string]string{"status": "generated",
		"div": `<div xmlns="http://www.w3.org/1999/xhtml"><p>Search parameter ` + html.EscapeString(d.Name) + ` of ` + d.Type + `: ` + html.EscapeString(d.About) + `</p></div>`}
	return s
}
