package mapping

import (
	"net/url"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// An id is a UUIDv5, in the deployment's secret namespace, of the parts that
// identify a resource (D1.7). The parts are joined with their lengths, so that
// no two different lists give one name.

// newID gives the logical id of a resource of type typ with these parts.
func (s Settings) newID(typ string, parts ...string) string {
	return uuid.NewSHA1(s.Namespace, []byte(join(append([]string{typ}, parts...)...))).String()
}

// join writes parts one after another, each led by its length in bytes and a
// colon: ("ab", "c") is "2:ab1:c", and nothing else is.
func join(parts ...string) string {
	var b strings.Builder
	for _, p := range parts {
		b.WriteString(strconv.Itoa(len(p)))
		b.WriteByte(':')
		b.WriteString(p)
	}
	return b.String()
}

// organizationRef is the clinic.
func (s Settings) organizationRef() resource.Ref {
	return resource.Ref{Type: "Organization", ID: s.newID("Organization", s.Clinic.ID)}
}

// deviceRef is the bridge, as it works for the clinic.
func (s Settings) deviceRef() resource.Ref {
	return resource.Ref{Type: "Device", ID: s.newID("Device", s.Clinic.ID, "bridge")}
}

// patientRef is a patient by identifier system and value within the clinic.
func (s Settings) patientRef(p record.Identifier) resource.Ref {
	return resource.Ref{Type: "Patient", ID: s.newID("Patient", s.Clinic.ID, p.System, p.Value)}
}

// personParts identify a member of staff: the registration, else the clinic's
// staff key (D5.2); ok is false when the record gives neither.
func personParts(p *record.Person) (parts []string, ok bool) {
	switch {
	case p == nil:
		return nil, false
	case p.Registration != nil && p.Registration.Value != "":
		return []string{"registration", p.Registration.System, p.Registration.Value}, true
	case p.StaffKey != "":
		return []string{"staff-key", p.StaffKey}, true
	}
	return nil, false
}

// staffRef is the resource of type typ (Practitioner, PractitionerRole) of a
// member of staff; ok is false when the record does not identify the person.
func (s Settings) staffRef(typ string, p *record.Person) (ref resource.Ref, ok bool) {
	parts, ok := personParts(p)
	if !ok {
		return resource.Ref{}, false
	}
	return resource.Ref{Type: typ, ID: s.newID(typ, append([]string{s.Clinic.ID}, parts...)...)}, true
}

// ownedRef is a resource folded per patient. The patient is part of its id
// (D1.5).
func (s Settings) ownedRef(typ string, owner record.Identifier, parts ...string) resource.Ref {
	all := append([]string{s.Clinic.ID, owner.System, owner.Value, "patient"}, parts...)
	return resource.Ref{Type: typ, ID: s.newID(typ, all...)}
}

// caseRef is a resource of a case: of the patient (D1.5) and the record id of
// the surgery.
func (s Settings) caseRef(typ string, owner record.Identifier, surgery string, parts ...string) resource.Ref {
	all := append([]string{s.Clinic.ID, owner.System, owner.Value, "case", surgery}, parts...)
	return resource.Ref{Type: typ, ID: s.newID(typ, all...)}
}

// partKeys gives each item of a list a key that stays when others come and go:
// its place (toe, border) with the sender's item key ("left-1:t1"), else with
// its ordinal among the items of that place without a key ("left-1#1"). A key
// sent twice counts once; its repeats count as without key.
func partKeys[T any](items []T, of func(T) (place, key string)) []string {
	out := make([]string, len(items))
	seen := map[string]bool{}
	ordinal := map[string]int{}
	for i, item := range items {
		place, key := of(item)
		name := place + ":" + url.PathEscape(key)
		if key == "" || seen[name] {
			ordinal[place]++
			name = place + "#" + strconv.Itoa(ordinal[place])
		}
		seen[name] = true
		out[i] = name
	}
	return out
}

// toeKeys gives the key of each toe of a surgery.
func toeKeys(ts []record.Toe) []string {
	return partKeys(ts, func(t record.Toe) (string, string) { return toeCode(t.Side, t.Digit), t.Key })
}

// borderKeys gives the key of each border of a toe.
func borderKeys(bs []record.Border) []string {
	return partKeys(bs, func(b record.Border) (string, string) { return string(b.Border), b.Key })
}

// agentKeys gives the key of each agent of a block.
func agentKeys(as []record.Agent) []string {
	return partKeys(as, func(a record.Agent) (string, string) { return "", a.Key })
}

// tourniquetKeys gives the key of each tourniquet period of a toe.
func tourniquetKeys(ts []record.Tourniquet) []string {
	return partKeys(ts, func(t record.Tourniquet) (string, string) { return "", t.Key })
}

// applicationKeys gives the key of each application of a chemical.
func applicationKeys(as []record.Application) []string {
	return partKeys(as, func(a record.Application) (string, string) { return "", a.Key })
}

// eventKeys gives the key of each untoward event.
func eventKeys(es []record.Event) []string {
	return partKeys(es, func(e record.Event) (string, string) { return "", e.Key })
}

// findingKeys gives the key of each toe looked at in a review or contact.
func findingKeys(ts []record.ToeFindings) []string {
	return partKeys(ts, func(t record.ToeFindings) (string, string) { return toeCode(t.Side, t.Digit), t.Key })
}

// borderFindingKeys gives the key of each border looked at.
func borderFindingKeys(bs []record.BorderFindings) []string {
	return partKeys(bs, func(b record.BorderFindings) (string, string) { return string(b.Border), b.Key })
}

// toeCode is the code of a toe in our code system "toe", such as "left-1"; ""
// when side or digit is absent.
func toeCode(side, digit record.Code) string {
	if side == "" || digit == "" {
		return ""
	}
	return string(side) + "-" + string(digit)
}
