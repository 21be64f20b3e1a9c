package hub

import (
	"context"
	"fmt"
	"slices"
	"time"

	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// Marks of the deployment, which are of no clinic: which artifacts are kept, and
// each version of one.
const (
	markKept = "artifacts"
	ofNone   = ""
)

func formerMark(ref resource.Ref, versionID string) string {
	return "artifact " + ref.String() + "/_history/" + versionID
}

// KeepStatic keeps the artifacts that New will be given, as they are served, so
// that a later release still gives them by their version (D8.3). Those of before
// stay. It writes only when the artifacts have changed.
func KeepStatic(ctx context.Context, st store.Store, static []resource.Resource, released time.Time) error {
	static = slices.Clone(static)
	resource.Sort(static)
	versions, epoch, err := staticVersions(static, released)
	if err != nil {
		return err
	}
	var kept string
	err = st.View(ctx, func(r store.Reader) (err error) {
		kept, err = r.Mark(ofNone, markKept)
		return err
	})
	if err != nil || kept == epoch {
		return err
	}
	return st.Update(ctx, func(w store.Writer) error {
		for _, v := range versions {
			name := formerMark(v.Ref, v.VersionID)
			switch had, err := w.Mark(ofNone, name); {
			case err != nil:
				return err
			case had != "": // it is told as it was told first
				continue
			}
			if err := w.SetMark(ofNone, name, string(v.Body)); err != nil {
				return err
			}
		}
		return w.SetMark(ofNone, markKept, epoch)
	})
}

// former gives a version of an artifact that an earlier release served.
func (h *hub) former(ctx context.Context, ref resource.Ref, versionID string) (v store.Version, err error) {
	err = h.limited(ctx, func(ctx context.Context) error {
		return h.store.View(ctx, func(r store.Reader) error {
			body, err := r.Mark(ofNone, formerMark(ref, versionID))
			v.Body = []byte(body)
			return err
		})
	})
	switch {
	case err != nil:
		return store.Version{}, err
	case len(v.Body) == 0:
		return store.Version{}, store.ErrNotFound
	}
	tree, err := resource.FromJSON(v.Body)
	if err != nil {
		return store.Version{}, fmt.Errorf("kept artifact: %w", err)
	}
	meta, _ := tree.Tree()["meta"].(map[string]any)
	updated, _ := meta["lastUpdated"].(string)
	v.Ref, v.Number, v.VersionID = ref, 1, versionID
	v.LastUpdated, err = time.Parse(time.RFC3339Nano, updated)
	return v, err
}
