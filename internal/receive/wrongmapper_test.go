package receive_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// A wrong mapper is a build that writes one thing which R4 does not allow, and is
// right in all else. The real check stands.
type wrongMapper struct {
	key   string // of the rule of R4 that it breaks, and of no other
	typ   string // what it writes so
	write func(tree map[string]any)
	// late: it makes no such resource any more, and writes so when it shows what
	// is stored as entered in error.
	late bool
	// whole: it is right where the masked form is shown, which would pass.
	whole bool
	way   string // the only one on which such a resource is made; "": any
}

// abated is what R4 condition.html, con-4, does not allow: a Condition is abated
// only where its clinicalStatus is inactive, resolved or in remission, and one
// that is entered in error has none (con-5).
func abated(tree map[string]any) {
	delete(tree, "clinicalStatus")
	tree["abatementDateTime"] = "2026-01-01"
	tree["verificationStatus"] = map[string]any{"coding": []any{map[string]any{
		"system": "http://terminology.hl7.org/CodeSystem/condition-ver-status", "code": "entered-in-error", "display": "Entered in Error"}}}
}

var wrongs = map[string]wrongMapper{
	// R4 careplan.html: the status is one of request-status.
	"a wrong status": {key: "binding-required", typ: "CarePlan", write: func(tree map[string]any) { tree["status"] = "running" }},
	"an entered-in-error condition with an abatement":               {key: "con-4", typ: "Condition", write: abated},
	"a condition that vanishes, entered in error with an abatement": {key: "con-4", typ: "Condition", write: abated, late: true},
	"a condition that vanishes with an abatement unless masked":     {key: "con-4", typ: "Condition", write: abated, late: true, whole: true},

	// Of both Patients of a merge (D1.5). R4 valueset-link-type.html: the types of
	// links are four; R4 references.html: a link names a Patient that is there.
	"a link of no type of the one replaced":     {key: "binding-required", typ: "Patient", write: linked("replaced-by", "type", "superseded"), way: "merge"},
	"a link of no type of the one who replaces": {key: "binding-required", typ: "Patient", write: linked("replaces", "type", "absorbs"), way: "merge"},
	"a link to nobody":                          {key: "ref", typ: "Patient", write: linked("replaces", "other", map[string]any{"reference": nobody.String()}), way: "merge"},
}

var nobody = resource.Ref{Type: "Patient", ID: "nobody"}

// linked writes a member of the links of a type.
func linked(typ, member string, value any) func(map[string]any) {
	return func(tree map[string]any) {
		links, _ := tree["link"].([]any)
		links = slices.Clone(links)
		for i, l := range links {
			if rt.At(l, "type") == typ {
				links[i] = maps.Clone(l.(map[string]any))
				links[i].(map[string]any)[member] = value
				tree["link"] = links
			}
		}
	}
}

// goes reports whether what is wrong can be met on a way.
func (x wrongMapper) goes(name string, in wayIn) bool {
	// The first save: TestD2_AFirstSaveEntersNothingInError.
	return (x.way == "" || x.way == name) && !(in.first && x.late)
}

// build makes the mapper of a world the wrong one, in the folds that are picked.
func (x wrongMapper) build(t testing.TB, w *rt.World, picked func(mapping.PatientFold) bool) {
	w.Fold = func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
		res, err := mapping.FoldPatient(s, in)
		switch {
		case !picked(in):
		case x.late:
			res.Resources = slices.DeleteFunc(res.Resources, func(r resource.Resource) bool { return r.Type() == x.typ })
		default:
			x.spoil(t, s, res.Resources)
		}
		return res, err
	}
	if !x.late {
		return
	}
	w.EnterInError = func(s mapping.Settings, r resource.Resource, masked bool) (resource.Resource, bool, error) {
		out, changed, err := mapping.EnterInError(s, r, masked)
		set := []resource.Resource{out}
		if !masked || !x.whole {
			x.spoil(t, s, set)
		}
		return set[0], changed, err
	}
}

// spoil writes what is wrong into a set, and holds that the check finds that and
// nothing else.
func (x wrongMapper) spoil(t testing.TB, s mapping.Settings, set []resource.Resource) {
	found := false
	for i, r := range set {
		if r.Type() != x.typ {
			continue
		}
		tree := maps.Clone(r.Tree())
		if x.write(tree); reflect.DeepEqual(tree, r.Tree()) {
			continue
		}
		text, err := json.Marshal(tree)
		require.NoError(t, err)
		set[i], err = resource.FromJSON(text)
		require.NoError(t, err)
		found = true
	}
	if !found {
		return
	}
	_, issues := validate.Check(set, func(ref resource.Ref) bool { return ref != nobody }, s.Terms, s.Codes)
	for _, i := range issues {
		require.Equal(t, x.key, i.Key, i.Path)
	}
	require.NotEmpty(t, issues, "the wrong mapper is wrong")
}

func always(mapping.PatientFold) bool { return true }

// whileNothingIsHeld picks the folds that a record counts in.
func whileNothingIsHeld(in mapping.PatientFold) bool {
	return !slices.ContainsFunc(slices.Concat(in.Deliveries, in.Merges), func(d mapping.Delivery) bool { return d.Held })
}

// wayIn is one way into the store.
type wayIn struct {
	before func(*testing.T, *rt.World) // by the right build
	// do goes the way, and holds what is told.
	do    func(*testing.T, *rt.World)
	alarm func(*rt.Counts) int
	held  []string // the records on the list of held ones, after
	// mended retries as the mended build does.
	mended func(*testing.T, *rt.World)
	// done holds that a hub sees it, then.
	done func(*testing.T, *rt.World)
	// nothing is stored before, so that nothing can vanish.
	first bool
}

func heldRecords(c *rt.Counts) int { return c.Held }
func failedFolds(c *rt.Counts) int { return c.FailedFolds }

// content3 and content4 are two contents of a surgery, the later of 4 mm.
func content3() []byte { return rt.Surgery(wide(3)) }
func content4() []byte { return rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(4)) }

func nothing(*testing.T, *rt.World) {}

func aSurgery(_ *testing.T, w *rt.World) { w.Send(content3()) }

func isWide(want string) func(*testing.T, *rt.World) {
	return func(t *testing.T, w *rt.World) { assert.Equal(t, want, width(t, w)) }
}

// isHeld sends what is held.
func isHeld(body []byte) func(*testing.T, *rt.World) {
	return func(t *testing.T, w *rt.World) { require.Equal(t, receive.Held, w.Send(body).Answer) }
}

func retriesHeld(want receive.Retried) func(*testing.T, *rt.World) {
	return func(t *testing.T, w *rt.World) {
		done, err := w.RetryHeld(t.Context())
		require.NoError(t, err)
		require.Equal(t, want, done)
	}
}

var (
	accepted = retriesHeld(receive.Retried{Tried: 1, Accepted: 1})
	kept     = receive.Retried{Tried: 1, Kept: 1}
)

// waysIn are all ways into the store: by a record that arrives (save, merge), by
// one that came before (retry), and by none (tick, acknowledge, re-map).
func waysIn() map[string]wayIn {
	return map[string]wayIn{
		"save, the first": {before: nothing, do: isHeld(content3()), alarm: heldRecords, held: []string{"S-1"}, mended: accepted, done: isWide("3"), first: true},
		"save":            {before: aSurgery, do: isHeld(content4()), alarm: heldRecords, held: []string{"S-1"}, mended: accepted, done: isWide("4")},
		"merge": {
			before: func(_ *testing.T, w *rt.World) {
				w.At("2026-03-06T09:00:00Z")
				w.Send(of("P-1"))
				w.Send(of("P-2"))
			},
			do: isHeld(rt.Merge([]string{"P-2"})), alarm: heldRecords, held: []string{"M-1"}, mended: accepted,
			done: func(t *testing.T, w *rt.World) { assert.Equal(t, bothJoined, joined(w)) },
		},
		"retry of a held one": {
			before: func(t *testing.T, w *rt.World) {
				aSurgery(t, w)
				failFor(w, isCare)
				isHeld(content4())(t, w)
				w.Check = nil
			},
			do: retriesHeld(kept), alarm: failedFolds, held: []string{"S-1"}, mended: accepted, done: isWide("4"),
		},
		"retry of a refused one": {
			before: refusedOnce,
			do: func(t *testing.T, w *rt.World) {
				done, err := w.RetryRefused(t.Context())
				require.NoError(t, err)
				assert.Equal(t, kept, done)
			},
			alarm: heldRecords, held: []string{"S-1"}, mended: accepted, done: isWide("4"),
		},
		"tick":            {before: aSurgery, do: ticksInVain, alarm: failedFolds, held: []string{}, mended: ticksOnce, done: isOverdue},
		"acknowledge":     acknowledging(),
		"re-map":          {before: remapDue, do: renewed(1), alarm: failedFolds, held: []string{}, mended: renewed(0), done: isRemapped},
		"re-map, at pace": {before: remapDue, do: remapped(1), alarm: failedFolds, held: []string{}, mended: remapped(0), done: isRemapped},
	}
}

func isCare(r resource.Resource) bool { return r.Type() == "CarePlan" }

// refusedOnce has a second content that was refused.
func refusedOnce(t *testing.T, w *rt.World) {
	aSurgery(t, w)
	refuse(t, w, content4())
}

// refuse sends what a build cannot read that the next can.
func refuse(t *testing.T, w *rt.World, body []byte) {
	zone := w.Settings.Clinic.Zone
	w.Settings.Clinic.Zone = nil // no time can be read
	w.At("2026-03-05T12:00:00Z")
	a, err := w.Receive(t.Context(), body, false)
	require.NoError(t, err)
	require.Equal(t, receive.Refused, a.Answer)
	w.Settings.Clinic.Zone = zone
	w.At("2026-03-05T12:10:00Z")
}

const afterDay2 = "2026-03-07T00:00:00Z"

func ticksInVain(t *testing.T, w *rt.World) {
	w.At(afterDay2)
	n, err := w.Tick(t.Context(), w.Now)
	assert.Zero(t, n)
	assert.ErrorIs(t, err, store.ErrUnavailable)
	w.View(func(r store.Reader) error {
		facts, err := r.Facts(ownerOf("P-1"))
		assert.Empty(t, facts, "nor half of it: no fact without its fold")
		return err
	})
}

func ticksOnce(t *testing.T, w *rt.World) { assert.Equal(t, 1, tick(t, w, afterDay2)) }

func isOverdue(t *testing.T, w *rt.World) { assert.Len(t, w.Issues("review-overdue"), 1) }

// acknowledging answers a red flag. The person's word is kept all the same, and
// the next start folds with it (D1.3).
func acknowledging() wayIn {
	var f mapping.Flag
	return wayIn{
		before: func(t *testing.T, w *rt.World) {
			aSurgery(t, w)
			f = flag(t, w.Send(rt.Review(rt.RedFlag)).Flags, "pus")
		},
		do: func(t *testing.T, w *rt.World) {
			shown, err := w.Acknowledge(t.Context(), "R-1", f.ID, ack(f, w.Now))
			require.NoError(t, err)
			assert.False(t, shown.Stands)
			assert.Contains(t, shown.Note, "is kept")
			assert.True(t, w.Issues("pus")[0].Open())
		},
		alarm: failedFolds, held: []string{}, mended: renewed(0),
		done: func(t *testing.T, w *rt.World) { assert.False(t, w.Issues("pus")[0].Open()) },
	}
}

// remapDue has a store that was made under other settings.
func remapDue(t *testing.T, w *rt.World) {
	set(w, func(s *mapping.Settings) { s.Codes.HCPCS = false })
	require.False(t, outdated(t, w))
	aSurgery(t, w)
	require.False(t, saysHCPCS(t, w))
	set(w, func(s *mapping.Settings) { s.Codes.HCPCS = true })
}

func isRemapped(t *testing.T, w *rt.World) { assert.True(t, saysHCPCS(t, w)) }

func saysHCPCS(t *testing.T, w *rt.World) bool {
	require.NotEmpty(t, w.Live("Procedure"))
	return slices.ContainsFunc(w.Live("Procedure"), func(r rt.Resource) bool { return bytes.Contains(r.Body, []byte(terms.HCPCS)) })
}

// renewed starts again, when so many patients fail.
func renewed(failed int) func(*testing.T, *rt.World) {
	return func(t *testing.T, w *rt.World) {
		assert.Equal(t, receive.Renewed{Patients: 1, Failed: failed}, renew(t, w))
	}
}

// remapped is renewed at a pace, after a dry run, which alarms nobody.
func remapped(failed int) func(*testing.T, *rt.World) {
	return func(t *testing.T, w *rt.World) {
		alarms := w.Meter.FailedFolds
		dry, err := w.DryRemap(t.Context())
		require.NoError(t, err)
		assert.Equal(t, failed, dry.Failed)
		assert.Equal(t, alarms, w.Meter.FailedFolds)
		done, err := w.Remap(t.Context(), nil)
		require.NoError(t, err)
		assert.Equal(t, 1, done.Patients)
		assert.Equal(t, failed, done.Failed)
	}
}

// hubView names every version that a hub finds, whatever became of it, and the
// last commit that it sees.
func hubView(w *rt.World) map[string]string {
	out := map[string]string{"commit": fmt.Sprint(w.Seq())}
	for _, typ := range searchparam.CareTypes() {
		for _, r := range w.All(typ) {
			out[r.Ref.String()] = r.VersionID
		}
	}
	return out
}

// D2, held: what a wrong mapper makes comes into the store on no way, of a fold
// or of what a commit shows as entered in error. What was published stands and
// no half of a set is, it counts for the alarm, and the mended build retries it.
func TestD2_HeldForAWrongMapper(t *testing.T) {
	for name, wrong := range wrongs {
		for way, in := range waysIn() {
			if !wrong.goes(way, in) {
				continue
			}
			t.Run(way+"/"+name, func(t *testing.T) {
				w := rt.New(t)
				require.False(t, outdated(t, w), "a store of no patient is up to date")
				in.before(t, w)
				before, alarms := hubView(w), in.alarm(w.Meter)
				wrong.build(t, w, always)
				in.do(t, w)
				assert.Empty(t, changedTypes(before, hubView(w)), "nothing new, and no half of a set")
				assert.Equal(t, in.held, records(t, w, "held"))
				assert.Equal(t, alarms+1, in.alarm(w.Meter))
				if way == "merge" { // of a surgery there is a way for it
					retriesHeld(kept)(t, w)
					assert.Empty(t, changedTypes(before, hubView(w)), "nor by a retry of the same build")
				}

				w.Fold, w.EnterInError = nil, nil
				in.mended(t, w)
				in.done(t, w)
				assert.Empty(t, records(t, w, "held"))
			})
		}
	}
}

// A first save enters nothing in error, so that a build which does that wrongly
// stores it whole: there is nothing that could have vanished.
func TestD2_AFirstSaveEntersNothingInError(t *testing.T) {
	w := rt.New(t)
	w.EnterInError = func(mapping.Settings, resource.Resource, bool) (resource.Resource, bool, error) {
		require.Fail(t, "entered in error")
		return resource.Resource{}, false, nil
	}
	assert.Equal(t, receive.Stored, w.Send(content3()).Answer)
	assert.Len(t, w.Live("Condition"), 1)
}

// D2, held: what a record withdraws, or takes to another patient, is off at once
// also where a build shows a Condition as entered in error with an abatement: that
// one alone is gone, or is masked where that is right, and the rest stands as
// entered in error (D6).
func TestD2_HeldForAWrongWithdrawal(t *testing.T) {
	const whole, any = "a condition that vanishes with an abatement unless masked", "a condition that vanishes, entered in error with an abatement"
	for name, c := range map[string]struct {
		wrong string
		edit  rt.Edit
		live  int // plans, once mended
	}{
		"withdrawn":                   {any, rt.Status("withdrawn"), 0},
		"withdrawn, the masked right": {whole, rt.Status("withdrawn"), 0},
		"taken to another (D1.5)":     {any, rt.Patient("P-2"), 1},
	} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t)
			aSurgery(t, w)
			condition := w.One("Condition").Ref
			wrongs[c.wrong].build(t, w, always)
			w.Fold = nil
			isHeld(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(3), c.edit))(t, w)
			assert.Equal(t, 1, w.Meter.Held)
			shown, err := w.Read(condition)
			if c.wrong == whole {
				require.NoError(t, err)
				assert.NotContains(t, string(shown.Body), "abatement")
				assert.NotContains(t, string(shown.Body), "bodySite", "masked (D1.5)")
				assert.Contains(t, w.Log.String(), "it is shown masked")
			} else {
				require.ErrorIs(t, err, store.ErrGone)
			}
			assert.Empty(t, w.Live("CarePlan"))
			assert.Len(t, w.All("CarePlan"), 1)
			assert.Empty(t, w.Live("Procedure"))

			w.EnterInError = nil
			accepted(t, w)
			assert.Len(t, w.Live("CarePlan"), c.live)
			assert.Len(t, w.Live("Condition"), c.live)
		})
	}
}

// D7.1: what carries a code that today's settings do not permit is withdrawn all
// the same, masked and told in the log; nobody's mapper is wrong, and nothing is held.
func TestD7_1_WithdrawnUnderOtherSettings(t *testing.T) {
	w := rt.New(t)
	set(w, func(s *mapping.Settings) { s.Codes.HCPCS = true })
	aSurgery(t, w)
	require.True(t, saysHCPCS(t, w))
	set(w, func(s *mapping.Settings) { s.Codes.HCPCS = false })
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(3), rt.Status("withdrawn")))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.Empty(t, w.Live("Procedure"))
	assert.Zero(t, w.Meter.Held)
	assert.Contains(t, w.Log.String(), "it is shown masked")
	assert.Contains(t, w.Log.String(), "key=D7.1")
}

// D2, held: where the mapper is wrong of the new record alone, a hub sees the fold
// without it, whose plan, letter and flag say that a newer record is held, until
// the mended build retries it. A merge has no plan to say so, nor has a first save.
func TestD2_HeldForAWrongMapperFoldsWithoutIt(t *testing.T) {
	says := map[string][]string{
		"save, the first": {}, "merge": {},
		"save": heldBehind, "retry of a held one": heldBehind, "retry of a refused one": heldBehind,
	}
	for name, wrong := range wrongs {
		for way, want := range says {
			in := waysIn()[way]
			if !wrong.goes(way, in) {
				continue
			}
			t.Run(way+"/"+name, func(t *testing.T) {
				w := rt.New(t)
				in.before(t, w)
				before := content(t, w)
				wrong.build(t, w, whileNothingIsHeld)
				in.do(t, w)
				assert.Equal(t, want, changedTypes(before, content(t, w)))
				assert.Len(t, w.Issues("newer-record-held"), min(1, len(want)))
				assert.Equal(t, len(want) > 0, saysNewerHeld(w))

				w.Fold, w.EnterInError = nil, nil
				in.mended(t, w)
				in.done(t, w)
				assert.False(t, saysNewerHeld(w))
			})
		}
	}
}

// heldBehind are the types of what says that a newer record is held.
var heldBehind = []string{"CarePlan", "Composition", "DetectedIssue"}

func saysNewerHeld(w *rt.World) bool {
	return slices.ContainsFunc(w.Live("CarePlan"), func(r rt.Resource) bool {
		return rt.Coded(rt.At(r.Tree, "meta", "tag"), "newer-record-held")
	})
}

// changedTypes are the types of what came, went or is another.
func changedTypes(before, after map[string]string) []string {
	out := []string{}
	for _, ref := range slices.Concat(slices.Collect(maps.Keys(before)), slices.Collect(maps.Keys(after))) {
		if typ, _, _ := strings.Cut(ref, "/"); before[ref] != after[ref] && !slices.Contains(out, typ) {
			out = append(out, typ)
		}
	}
	slices.Sort(out)
	return out
}

// D2, held: a refused record that a retry can read and our check holds is held from
// now on, and alarms as one; with a red flag twice.
func TestD2_ARefusedRecordThatIsHeldAlarms(t *testing.T) {
	for flags, edit := range map[int]rt.Edit{0: rt.Set("/review/note", "seen"), 1: rt.RedFlag} {
		w := rt.New(t)
		aSurgery(t, w)
		refuse(t, w, rt.Review(edit))
		failFor(w, isCare)
		done, err := w.RetryRefused(t.Context())
		require.NoError(t, err)
		assert.Equal(t, kept, done)
		assert.Equal(t, []string{"R-1"}, records(t, w, "held"))
		assert.Equal(t, 1, w.Meter.Held)
		assert.Equal(t, flags, w.Meter.HeldRed)
	}
}
