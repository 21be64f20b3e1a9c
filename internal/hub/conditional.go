package hub

import (
	"net/http"
	"strings"
	"time"

	"nailbridge/internal/store"
)

func etag(version string) string { return `W/"` + version + `"` }

// unchanged evaluates the conditions of a read (http.html#cread, RFC 9110
// section 13.2.2): If-Modified-Since counts only without If-None-Match. Tags are
// compared weakly, so that a content coding does not matter (section 8.8.3.2).
func (r *request) unchanged(d document) bool {
	if d.version == "" {
		return false
	}
	if tags := r.c.Request.Header.Values("If-None-Match"); len(tags) > 0 {
		for tag := range elements(tags) {
			if tag == "*" || strings.TrimPrefix(tag, "W/") == `"`+d.version+`"` {
				return true
			}
		}
		return false
	}
	since, asked := r.modifiedSince()
	last, err := http.ParseTime(d.lastModified)
	return asked && err == nil && d.dated && !last.After(since)
}

// modifiedSince gives the instant of If-Modified-Since; false where it does
// not count: with If-None-Match, or when it is no date (RFC 9110 section 13.1.3).
func (r *request) modifiedSince() (time.Time, bool) {
	h := r.c.Request.Header
	since, err := http.ParseTime(h.Get("If-Modified-Since"))
	return since, err == nil && len(h.Values("If-None-Match")) == 0
}

// tells reports whether the second of Last-Modified tells the current version
// of a resource from all that a client may hold. It does not where the version
// before, or one that is hidden by now (D1.5), was of the same second; nor where
// the version is from before a restore (D8.3), by which a later one was lost.
func tells(rd store.Published, v store.Version) (bool, error) {
	p, err := rd.History(store.HistoryQuery{Type: v.Ref.Type, ID: v.Ref.ID, Count: 2, NoTotal: true})
	if err != nil || !strings.HasPrefix(v.VersionID, p.Epoch+"-") || len(p.Versions) == 0 || p.Versions[0].VersionID != v.VersionID {
		return false, err
	}
	if v.Number == 1 {
		return true, nil
	}
	if len(p.Versions) < 2 || p.Versions[1].Number != v.Number-1 {
		return false, nil
	}
	return p.Versions[1].LastUpdated.Unix() < v.LastUpdated.Unix(), nil
}
