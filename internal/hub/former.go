package hub

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// Marks of the deployment, which are of no clinic: what names the artifacts that were
// kept last, and the bodies of all that ever were, by their place (versionPlace).
const (
	markKept     = "artifacts"
	markVersions = "artifact versions"
	ofNone       = ""
)

func versionPlace(ref resource.Ref, versionID string) string {
	return ref.String() + "/_history/" + versionID
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
		all, err := keptVersions(w)
		if err != nil {
			return err
		}
		for _, v := range versions {
			if at := versionPlace(v.Ref, v.VersionID); all[at] == nil { // else it is told as it was told first
				all[at] = v.Body
			}
		}
		if err := w.SetMark(ofNone, markVersions, string(mustJSON(all))); err != nil {
			return err
		}
		return w.SetMark(ofNone, markKept, epoch)
	})
}

// keptVersions are the bodies that are kept, byte for byte, by their place.
func keptVersions(r store.Reader) (map[string][]byte, error) {
	all := map[string][]byte{}
	text, err := r.Mark(ofNone, markVersions)
	if err != nil || text == "" {
		return all, err
	}
	if err := json.Unmarshal([]byte(text), &all); err != nil {
		return nil, fmt.Errorf("kept artifacts: %w", err)
	}
	return all, nil
}

// former gives a version of an artifact that an earlier release served.
func (h *hub) former(ctx context.Context, ref resource.Ref, versionID string) (v store.Version, err error) {
	err = h.limited(ctx, func(ctx context.Context) error {
		return h.store.View(ctx, func(r store.Reader) error {
			all, err := keptVersions(r)
			v.Body = all[versionPlace(ref, versionID)]
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
