// Package pull reads resources from a FHIR server by search and history, page
// by page (https://hl7.org/fhir/R4/http.html#search). It knows nothing of what
// it carries.
package pull

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

// The types that clinic records stand in: those that are found by references to them, and
// those that are found by the patient.
var (
	byReference = []string{"Medication", "Organization", "Practitioner", "PractitionerRole"}
	byPatient   = []string{"AllergyIntolerance", "BodyStructure", "Condition", "Consent", "Encounter", "Media", "MedicationAdministration",
		"MedicationStatement", "Observation", "Procedure", "Provenance", "RelatedPerson", "Specimen"}
)

const (
	// pageSize is how many entries a page is asked to have.
	pageSize = "200"
	// maxPage is the greatest length of a page, in bytes.
	maxPage = 64 << 20
)

// Page is one answer.
type Page struct {
	URL  string
	Body []byte
}

// Server is a FHIR server.
type Server struct {
	Base   string // such as https://hub.example/fhir
	Key    string // bearer key; "" for none
	Client *http.Client
}

// All gives the pages of every resource of the types, in all versions if asked.
func (s Server) All(ctx context.Context, versions bool, give func(Page) error) error {
	for _, typ := range append([]string{"Patient"}, append(byReference, byPatient...)...) {
		path := "/" + typ
		if versions {
			path += "/_history"
		}
		if err := s.pages(ctx, s.base()+path+"?_count="+pageSize, give); err != nil {
			return err
		}
	}
	return nil
}

// OfPatient gives the pages of what is of one patient, by identifier as system|value,
// and of what that refers to.
func (s Server) OfPatient(ctx context.Context, identifier string, give func(Page) error) error {
	var ids, refs []string
	err := s.pages(ctx, s.base()+"/Patient?identifier="+url.QueryEscape(identifier), func(p Page) error {
		ids, refs = append(ids, idsOf(p)...), append(refs, references(p.Body)...)
		return give(p)
	})
	if err != nil {
		return err
	}
	for _, id := range ids {
		for _, typ := range byPatient {
			err := s.pages(ctx, s.base()+"/"+typ+"?_count="+pageSize+"&patient="+url.QueryEscape("Patient/"+id), func(p Page) error {
				refs = append(refs, references(p.Body)...)
				return give(p)
			})
			if err != nil {
				return err
			}
		}
	}
	return s.referredTo(ctx, refs, give)
}

// referredTo gives the resources of the types found by reference.
func (s Server) referredTo(ctx context.Context, refs []string, give func(Page) error) error {
	have := map[string]bool{}
	for i := 0; i < len(refs); i++ { // what is given may refer on
		ref := refs[i]
		typ, id, ok := strings.Cut(ref, "/")
		if have[ref] || !ok || !slices.Contains(byReference, typ) || strings.ContainsAny(id, "/?#") {
			continue
		}
		have[ref] = true
		body, err := s.get(ctx, s.base()+"/"+ref)
		if err != nil {
			return err
		}
		refs = append(refs, references(body)...)
		if err := give(Page{s.base() + "/" + ref, body}); err != nil {
			return err
		}
	}
	return nil
}

func (s Server) base() string { return strings.TrimSuffix(s.Base, "/") }

// pages gives a page and those that its next links name. A link to another
// server is refused: the key is for this one.
func (s Server) pages(ctx context.Context, at string, give func(Page) error) error {
	seen := map[string]bool{}
	for at != "" {
		if seen[at] {
			return fmt.Errorf("%s: the pages of the search go round", s.Base)
		}
		seen[at] = true
		body, err := s.get(ctx, at)
		if err != nil {
			return err
		}
		next, err := nextLink(body)
		if err != nil {
			return err
		}
		if err := give(Page{at, body}); err != nil {
			return err
		}
		if next != "" && !strings.HasPrefix(next, s.base()+"/") && !strings.HasPrefix(next, s.base()+"?") {
			return fmt.Errorf("%s: the next page of a search is on another server", s.Base)
		}
		at = next
	}
	return nil
}

// get reads one answer; one that is no success is an error with its status.
func (s Server) get(ctx context.Context, at string) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, at, nil)
	if err != nil {
		return nil, fmt.Errorf("%s: not an address to read from", s.Base)
	}
	req.Header.Set("Accept", "application/fhir+json")
	if s.Key != "" {
		req.Header.Set("Authorization", "Bearer "+s.Key)
	}
	res, err := s.Client.Do(req)
	if err != nil {
		var u *url.Error // its address may hold a patient's number
		if errors.As(err, &u) {
			err = u.Err
		}
		return nil, fmt.Errorf("%s: %w", s.Base, err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(io.LimitReader(res.Body, maxPage+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s: %w", s.Base, err)
	case res.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("%s: answered %d to %s", s.Base, res.StatusCode, req.URL.Path)
	case len(body) > maxPage:
		return nil, fmt.Errorf("%s: a page is longer than %d bytes", s.Base, maxPage)
	}
	return body, nil
}

type bundle struct {
	Link []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	} `json:"link"`
	Entry []struct {
		Resource struct {
			ID string `json:"id"`
		} `json:"resource"`
	} `json:"entry"`
}

func nextLink(body []byte) (string, error) {
	var b bundle
	if err := json.Unmarshal(body, &b); err != nil {
		return "", errors.New("a page of a search is no Bundle in JSON")
	}
	for _, l := range b.Link {
		if l.Relation == "next" {
			return l.URL, nil
		}
	}
	return "", nil
}

func idsOf(p Page) []string {
	var out []string
	var b bundle
	if json.Unmarshal(p.Body, &b) == nil {
		for _, e := range b.Entry {
			if e.Resource.ID != "" {
				out = append(out, e.Resource.ID)
			}
		}
	}
	return out
}

// references lists the references of a body, type and id.
func references(body []byte) []string {
	var v any
	if json.Unmarshal(body, &v) != nil {
		return nil
	}
	var out []string
	var walk func(any)
	walk = func(v any) {
		switch x := v.(type) {
		case map[string]any:
			if ref, ok := x["reference"].(string); ok {
				out = append(out, ref)
			}
			for _, m := range x {
				walk(m)
			}
		case []any:
			for _, m := range x {
				walk(m)
			}
		}
	}
	walk(v)
	return out
}
