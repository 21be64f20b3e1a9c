package receive

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
)

// madeWith names, by part, all that folds rest on besides what is stored: it
// tells which of them changed, where foldedUnder tells that one did.
func (v *Receiver) madeWith() []mapping.Cause {
	s := v.Settings
	base, _, _ := strings.Cut(s.Terms.Hash(), "+")
	out := []mapping.Cause{
		{Part: "mapping", Now: mapping.Version},
		{Part: "code maps", Now: named(s.Terms.Version(), base)},
	}
	add := func(part, now string) { out = append(out, mapping.Cause{Part: part, Now: now}) }
	confirmed, limits := "", ""
	if c := s.Terms.Confirmed(); c != nil {
		confirmed = c.String()
	}
	if f := s.Clinic.Formulary; f != nil {
		limits = named(strings.TrimSpace(f.Name+" "+f.Date), hashed(f))
	}
	add("confirmed codes", confirmed)
	add("dose limits", limits)
	add("follow-up protocols", v.protocolsMade())
	add("dates of reviews", named(cmp.Or(string(s.Clinic.DefaultProtocol), "no default protocol"), hashed(s.Clinic.DaysOff)))
	zone := s.Clinic.Zone.String()
	s.Terms, s.Protocols, s.Clinic.Zone, s.Clinic.Formulary = nil, nil, nil, nil
	s.Clinic.DefaultProtocol, s.Clinic.DaysOff = "", followup.DaysOff{}
	add("other settings", hashed(zone, s)[:12])
	return out
}

// named is a version beside what tells two of the same name apart.
func named(version, hash string) string { return version + " (" + hash[:12] + ")" }

func hashed(values ...any) string {
	h := sha256.New()
	put(h, values...)
	return hex.EncodeToString(h.Sum(nil))
}

// keepMadeWith keeps what the store is made with.
func (v *Receiver) keepMadeWith(w store.Writer) error {
	return w.SetMark(v.Settings.Clinic.ID, markMade, marked(v.madeWith()))
}

// changedSince gives the parts that changed since the store was last made as a
// whole. Of a store of before this was kept, or of which a part is new, all that
// is known is what it is made with now.
func (v *Receiver) changedSince(r store.Reader) (out []mapping.Cause, err error) {
	text, err := r.Mark(v.Settings.Clinic.ID, markMade)
	if err != nil {
		return nil, err
	}
	var kept []mapping.Cause
	if text != "" {
		if err := json.Unmarshal([]byte(text), &kept); err != nil {
			return nil, fmt.Errorf("what the store was made with: %w", err)
		}
	}
	before := map[string]string{}
	for _, c := range kept {
		before[c.Part] = c.Now
	}
	for _, c := range v.madeWith() {
		if c.Before = before[c.Part]; c.Before != c.Now {
			out = append(out, c)
		}
	}
	return out, nil
}
