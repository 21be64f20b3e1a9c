package running

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
)

// StatusError is an answer with another status than 200.
type StatusError struct {
	Status int
	URL    string
	Body   string
}

// Error says which address answered what.
func (e *StatusError) Error() string {
	return fmt.Sprintf("status %d of %s: %s", e.Status, e.URL, e.Body)
}

// Page is one page of a Bundle as a hub reads it.
type Page struct {
	Resources []json.RawMessage // of each entry; of one that was deleted none
	Total     int
	Next      string // URL of the next page; "" on the last
}

// Get asks for a URL as anybody would.
func Get(ctx context.Context, url string) (status int, body []byte, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return 0, nil, err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, nil, err
	}
	body, err = io.ReadAll(res.Body)
	return res.StatusCode, body, errors.Join(err, res.Body.Close())
}

// ReadPage reads a page of a search. An answer that is no 200 is a StatusError.
func ReadPage(ctx context.Context, url string) (p Page, err error) {
	status, body, err := Get(ctx, url)
	if err != nil {
		return p, err
	}
	if status != http.StatusOK {
		return p, &StatusError{status, url, string(body)}
	}
	var b struct {
		Total int
		Link  []struct{ Relation, URL string }
		Entry []struct{ Resource json.RawMessage }
	}
	if err := json.Unmarshal(body, &b); err != nil {
		return p, err
	}
	p.Total = b.Total
	for _, e := range b.Entry {
		p.Resources = append(p.Resources, e.Resource)
	}
	for _, l := range b.Link {
		if l.Relation == "next" {
			p.Next = l.URL
		}
	}
	return p, nil
}
