package hub

import (
	"context"
	"net/http"
	"regexp"
	"slices"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// idPattern is the grammar of a logical id and a version id (datatypes.html#id).
var idPattern = regexp.MustCompile(`^[A-Za-z0-9.-]{1,64}$`)

func searched(typ string) bool { return slices.Contains(searchparam.Types(), typ) }

func isArtifact(typ string) bool { return slices.Contains(searchparam.ArtifactTypes(), typ) }

// metadata answers the CapabilityStatement. mode asks for a part of it, which
// a server may ignore (http.html#capabilities).
func (h *hub) metadata(r *request) error {
	if err := r.only("mode"); err != nil {
		return err
	}
	r.send(h.stated())
	return nil
}

// read answers the current version (http.html#read).
func (h *hub) read(r *request) error {
	return h.readVersion(r, func(rd store.Published, ref resource.Ref) (v store.Version, dated bool, err error) {
		if v, err = rd.Read(ref); err == nil && !isArtifact(ref.Type) { // whose date is not that of its version
			if _, asked := r.modifiedSince(); asked {
				dated, err = tells(rd, v)
			}
		}
		return v, dated, err
	})
}

// vread answers one version (http.html#vread).
func (h *hub) vread(r *request) error {
	version := r.c.Param("version")
	if !idPattern.MatchString(version) {
		return store.ErrNotFound
	}
	return h.readVersion(r, func(rd store.Published, ref resource.Ref) (store.Version, bool, error) {
		v, err := rd.VRead(ref, version)
		return v, true, err // there is one version at this address
	})
}

func (h *hub) readVersion(r *request, get func(store.Published, resource.Ref) (v store.Version, dated bool, err error)) error {
	ref, err := r.ref()
	if err != nil {
		return err
	}
	if err := r.only("_summary", "_elements"); err != nil {
		return err
	}
	for _, name := range []string{"_summary", "_elements"} {
		if _, err := r.one(name); err != nil {
			return err
		}
	}
	part, problems := subsetOf(ref.Type, r.pairs)
	if len(problems) > 0 || part.summary == "" && slices.Contains(r.pairs, searchparam.Pair{Name: "_summary", Value: "count"}) {
		return faultf(http.StatusBadRequest, "value", "a read takes _summary as true, text, data or false, or _elements with elements of its type")
	}
	var v store.Version
	var dated bool
	err = h.view(r.c.Request.Context(), ref.Type, func(rd store.Published) error {
		v, dated, err = get(rd, ref)
		return err
	})
	if err != nil {
		return err
	}
	body, err := part.of(ref.Type, v.Body)
	if err != nil {
		return err
	}
	d := document{body: body, version: v.VersionID, dated: dated, public: isArtifact(ref.Type)}
	if !v.LastUpdated.IsZero() {
		d.lastModified = httpDate(v.LastUpdated)
	}
	r.send(d)
	return nil
}

// ref reads type and id of the path. An id outside the grammar names nothing
// and never reaches the store.
func (r *request) ref() (resource.Ref, error) {
	ref := resource.Ref{Type: r.c.Param("type"), ID: r.c.Param("id")}
	if !searched(ref.Type) {
		return ref, errType
	}
	if !idPattern.MatchString(ref.ID) {
		return ref, store.ErrNotFound
	}
	return ref, nil
}

// view runs fn on what the client may see of a snapshot of the store, or on
// the static artifacts for their types.
func (h *hub) view(ctx context.Context, typ string, fn func(store.Published) error) error {
	if isArtifact(typ) {
		return fn(h.statics)
	}
	return h.limited(ctx, func(ctx context.Context) error {
		return h.store.View(ctx, func(rd store.Reader) error { return fn(rd.Within(h.scope(ctx))) })
	})
}

func httpDate(t time.Time) string { return t.UTC().Format(http.TimeFormat) }
