package receive

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"nailbridge/internal/store"
	"nailbridge/mapping/followup"
)

// A plan names the version of the protocol that it was made with, and every
// version of a plan stays readable: so does every protocol that was ever in
// force at the clinic (D8.3).

// markProtocols is the name under which the store keeps their JSON.
const markProtocols = "protocols"

// KeepProtocols keeps the protocols in force beside those of before, and gives
// the JSON of all, the latest last. It is to be called before anything is folded
// with them.
func (v *Receiver) KeepProtocols(ctx context.Context) (all [][]byte, err error) {
	var changed bool
	err = v.Store.View(ctx, func(r store.Reader) (err error) {
		all, changed, err = v.withProtocols(r)
		return err
	})
	if err == nil && changed {
		err = v.Store.Update(ctx, func(w store.Writer) (err error) {
			if all, _, err = v.withProtocols(w); err != nil {
				return err
			}
			var raw []json.RawMessage
			for _, b := range all {
				raw = append(raw, b)
			}
			var b strings.Builder
			e := json.NewEncoder(&b)
			e.SetEscapeHTML(false) // their bytes as they are
			if err := e.Encode(raw); err != nil {
				return err
			}
			return w.SetMark(v.Settings.Clinic.ID, markProtocols, b.String())
		})
	}
	if err != nil {
		return nil, unavailable(err)
	}
	return all, nil
}

// withProtocols reads what is kept and adds what is in force. Of two texts of
// one version the one in force is right.
func (v *Receiver) withProtocols(r store.Reader) (all [][]byte, changed bool, err error) {
	text, err := r.Mark(v.Settings.Clinic.ID, markProtocols)
	if err != nil {
		return nil, false, err
	}
	var kept []json.RawMessage
	if text != "" {
		if err := json.Unmarshal([]byte(text), &kept); err != nil {
			return nil, false, fmt.Errorf("stored protocols: %w", err)
		}
	}
	byVersion := map[string]int{}
	for i, b := range kept {
		var head struct{ URL, Version string }
		if err := json.Unmarshal(b, &head); err != nil {
			return nil, false, fmt.Errorf("stored protocols: %w", err)
		}
		byVersion[head.URL+"|"+head.Version] = i
		all = append(all, b)
	}
	for _, p := range v.protocols() {
		var b bytes.Buffer
		if err := json.Compact(&b, p.JSON); err != nil {
			return nil, false, err
		}
		if i, ok := byVersion[p.Canonical()]; !ok {
			all, changed = append(all, b.Bytes()), true
		} else if !bytes.Equal(all[i], b.Bytes()) {
			all[i], changed = b.Bytes(), true
		}
	}
	return all, changed, nil
}

// protocols are the follow-up protocols in force.
func (v *Receiver) protocols() []*followup.Protocol {
	if v.Settings.Protocols != nil {
		return v.Settings.Protocols
	}
	all, _ := followup.Load() // of the program itself, which could not fold without them
	return all
}

// protocolsMade names the follow-up protocols: their versions, and all by one
// hash.
func (v *Receiver) protocolsMade() string {
	var versions []string
	var json []any
	for _, p := range v.protocols() {
		versions = append(versions, p.Version)
		json = append(json, string(p.JSON), p.Steps)
	}
	slices.Sort(versions)
	return named(strings.Join(slices.Compact(versions), ", "), hashed(json...))
}
