package intake_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/intake"
	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

const bad = "LX-BAD"

func failOnBad(w *rt.World) {
	w.Check = func(set []resource.Resource, exists func(resource.Ref) bool, t *terms.Terms, s terms.Setting) ([]validate.Checked, []validate.Issue) {
		for _, r := range set {
			if bytes.Contains(r.JSON(), []byte(bad)) {
				return nil, []validate.Issue{{Ref: r.Ref(), Key: "test-1", Path: r.Type()}}
			}
		}
		return validate.Check(set, exists, t, s)
	}
}

func wide(mm float64) rt.Edit { return rt.Set("/surgery/toes/0/borders/0/widthMm", mm) }

// D2, R-ING-08: every answer with its HTTP status and what a hub sees of it, each in a
// world where S-1 is stored under revision 2 and R-1 answers it.
func TestD2_EveryAnswerWithItsStatus(t *testing.T) {
	rev := rt.Revision
	// What a waiting record says of staff counts at once, for staff is the
	// clinic's: here it says nothing new.
	known := rt.Set("/author", map[string]any{"staffKey": "nurse-2"})
	stands := rt.Surgery(rev(2), wide(3))
	for _, c := range []struct {
		name    string
		body    []byte
		status  int
		answer  receive.Kind
		hubSees bool // a new version of something
		prepare func(*rt.World)
	}{
		{"stored, first", rt.Surgery(rt.Record("S-2"), rt.Patient("P-2")), http.StatusCreated, receive.Stored, true, nil},
		{"stored, after", rt.Surgery(rev(3), wide(4)), http.StatusOK, receive.Stored, true, nil},
		{"stored, first draft", rt.Surgery(rt.Record("S-2"), rt.Status("draft")), http.StatusCreated, receive.Stored, false, nil},
		{"stored, draft", rt.Surgery(rev(3), rt.Status("draft"), wide(4)), http.StatusOK, receive.Stored, false, nil},
		{"stored, withdrawn", rt.Surgery(rev(3), rt.Status("withdrawn")), http.StatusOK, receive.Stored, true, nil},
		{"unchanged", stands, http.StatusOK, receive.Unchanged, false, nil},
		{"superseded", rt.Surgery(rev(1), wide(4)), http.StatusOK, receive.Superseded, false, nil},
		{"waiting", rt.Review(rt.Record("R-2"), rt.Set("/review/surgery", "S-9"), known), http.StatusAccepted, receive.Waiting, false, nil},
		{"waiting, red flag", rt.Review(rt.Record("R-2"), rt.Set("/review/surgery", "S-9"), rt.RedFlag), http.StatusAccepted, receive.Waiting, true, nil},
		{"conflict, counts", rt.Surgery(rev(2), wide(4), rt.Saved("2026-03-02T11:50:00Z")), http.StatusOK, receive.Conflict, true, nil},
		{"conflict, does not count", rt.Surgery(rev(2), wide(4), rt.Saved("2026-03-02T11:00:00Z")), http.StatusConflict, receive.Conflict, true, nil},
		{"held", rt.Surgery(rev(3), rt.Set("/surgery/toes/0/block/agents/0/batch", bad)), http.StatusAccepted, receive.Held, true, failOnBad},
		{"refused", rt.Surgery(rev(3), rt.Set("/status", "done")), http.StatusUnprocessableEntity, receive.Refused, false, nil},
		{"refused, not JSON", []byte("<record/>"), http.StatusBadRequest, receive.Refused, false, nil},
		{"refused, not UTF-8", []byte("{\"record\":\"\xff\"}"), http.StatusBadRequest, receive.Refused, false, nil},
		{"refused, trailing data", append(rt.Surgery(), "{}"...), http.StatusBadRequest, receive.Refused, false, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newDoor(t)
			require.Equal(t, http.StatusCreated, d.post(stands).Code)
			if c.prepare != nil {
				c.prepare(d.World)
			}
			seq := d.Seq()
			a := d.post(c.body)
			assert.Equal(t, c.status, a.Code, a.Body.String())
			assert.Equal(t, string(c.answer), a.tree["answer"])
			assert.Equal(t, c.hubSees, d.Seq() > seq)
			assert.Equal(t, "north", a.tree["clinic"])
			if c.status >= 400 {
				a.isProblem(c.status, string(c.answer))
			} else {
				assert.Equal(t, "application/json; charset=utf-8", a.Header().Get("Content-Type"))
			}
			assert.Equal(t, c.status == http.StatusCreated, a.Header().Get("Location") != "")
			if c.answer == receive.Refused {
				assert.NotEmpty(t, a.tree["reasons"], "every reason with its place")
				assert.Equal(t, 1, listed(d, "refused"))
			} else {
				assert.NotNil(t, a.tree["record"])
			}
			if c.answer == receive.Held {
				assert.Equal(t, 1, listed(d, "held"))
			}
			if c.answer == receive.Waiting {
				assert.Equal(t, 1, listed(d, "waiting"))
			}
		})
	}
}

func listed(d *door, mark string) int {
	d.Helper()
	a := d.ask(http.MethodGet, "/records/north?list="+mark, "")
	require.Equal(d, http.StatusOK, a.Code)
	return len(a.tree["deliveries"].([]any))
}

// D2: what could not be stored is 503 with Retry-After on every page.
func TestD2_UnavailableIs503(t *testing.T) {
	d := newDoor(t)
	d.post(rt.Surgery())
	d.Fault = func(string) error { return errors.New("disk") }
	for _, a := range []answer{
		d.post(rt.Review()),
		d.ask(http.MethodPost, "/records?dry-run=true", string(rt.Review()), "Content-Type", oneRecord),
		d.ask(http.MethodGet, "/records/north/S-1", ""),
		d.ask(http.MethodGet, "/records/north?list=held", ""),
		d.ask(http.MethodPost, "/records/north/retry", ""),
		d.ask(http.MethodGet, "/follow-up?clinic=north", ""),
		d.ask(http.MethodPost, "/records/north/S-1/flags/f/acknowledge",
			`{"who":{"staffKey":"pod-1"},"reason":"r","at":"2026-03-02T13:00:00Z","inputsHash":"x"}`, "Content-Type", oneRecord),
	} {
		a.isProblem(http.StatusServiceUnavailable, "unavailable")
		assert.NotEmpty(t, a.Header().Get("Retry-After"))
	}
	d.Fault = nil
	assert.Equal(t, http.StatusCreated, d.post(rt.Review()).Code)
}

// A fault of the door itself is a problem too, without detail.
func TestAPanicIsAProblem(t *testing.T) {
	d := newDoor(t)
	d.Receiver.Store = nil
	d.post(rt.Surgery()).isProblem(http.StatusInternalServerError, "internal")
}

// D2.1, R-ING-15: the caller's clinic not the record's.
func TestD2_1_AnotherClinicIs403(t *testing.T) {
	d := newDoor(t)
	d.post(rt.Surgery(rt.Set("/clinic", "south"))).isProblem(http.StatusForbidden, "other-clinic")
	red := d.post(rt.Review(rt.RedFlag, rt.Set("/clinic", "south")))
	red.isProblem(http.StatusForbidden, "other-clinic")
	assert.Equal(t, "refused", red.tree["answer"])
	assert.Equal(t, "other-clinic", rt.At(red.tree, "reasons", 0, "code"))
	assert.Equal(t, "pus", rt.At(red.tree, "flags", 0, "code"), "red flags are checked whatever the clinic")
	assert.Equal(t, 1, d.Meter.RefRed, "and alarm")
	for _, target := range []string{"/records/south/S-1", "/records/south?list=refused"} {
		d.ask(http.MethodGet, target, "").isProblem(http.StatusForbidden, "other-clinic")
	}
	for _, target := range []string{"/records/south/retry", "/records/south/S-1/flags/f/acknowledge"} {
		d.ask(http.MethodPost, target, "{}", "Content-Type", oneRecord).isProblem(http.StatusForbidden, "other-clinic")
	}
	d.ask(http.MethodGet, "/records/north/S-1", "").isProblem(http.StatusNotFound, "not-found")
	assert.Zero(t, listed(d, "refused"))
}

// lines posts NDJSON and reads the answers.
func (d *door) lines(target, body string) []map[string]any {
	d.Helper()
	a := d.ask(http.MethodPost, target, body, "Content-Type", manyLines)
	require.Equal(d, http.StatusOK, a.Code, a.Body.String())
	require.Equal(d, manyLines, a.Header().Get("Content-Type"))
	var out []map[string]any
	for _, text := range strings.Split(strings.TrimSuffix(a.Body.String(), "\n"), "\n") {
		var m map[string]any
		require.NoError(d, json.Unmarshal([]byte(text), &m), text)
		out = append(out, m)
	}
	return out
}

// NDJSON is answered line by line; a bad line stops none after it.
func TestNDJSONIsAnsweredLineByLine(t *testing.T) {
	d := newDoor(t)
	body := strings.Join([]string{
		string(rt.Surgery()), "", "{broken", string(rt.Review()) + "\r", string(rt.Surgery(rt.Set("/clinic", "south"))),
		"\"\xff\"", string(rt.Surgery()),
	}, "\n")
	got := d.lines("/records", body)
	type l struct {
		line, status float64
		answer       any
	}
	var have []l
	for _, m := range got {
		have = append(have, l{m["line"].(float64), m["status"].(float64), m["answer"]})
	}
	assert.Equal(t, []l{
		{1, 201, "stored"}, {3, 400, "refused"}, {4, 201, "stored"}, {5, 403, "refused"}, {6, 400, "refused"}, {7, 200, "unchanged"},
	}, have)
	assert.Equal(t, 2, listed(d, "refused"))
}

func TestNDJSONDryRunWritesNothing(t *testing.T) {
	d := newDoor(t)
	got := d.lines("/records?dry-run=true", string(rt.Surgery())+"\n"+string(rt.Review()))
	require.Len(t, got, 2)
	assert.Equal(t, "stored", got[0]["answer"])
	assert.Equal(t, true, got[0]["dryRun"])
	assert.Equal(t, "waiting", got[1]["answer"], "each line alone")
	assert.Zero(t, d.Seq())
	assert.Zero(t, listed(d, "waiting"))
}

// A dry run over HTTP shows each resource as it would be served: the bytes that
// a hub reads when the record is sent for good at that instant.
func TestDryRunShowsTheResourcesAsTheyWouldBeServed(t *testing.T) {
	d := newDoor(t)
	type made struct {
		Resources []struct {
			Reference string          `json:"reference"`
			Resource  json.RawMessage `json:"resource"`
		} `json:"resources"`
	}
	read := func(target string) (out made) {
		require.NoError(t, json.Unmarshal(d.ask(http.MethodPost, target, string(rt.Surgery()), "Content-Type", oneRecord).Body.Bytes(), &out))
		return out
	}
	dry := read("/records?dry-run=true")
	require.NotEmpty(t, dry.Resources)
	assert.Zero(t, d.Seq())
	lines := d.ask(http.MethodPost, "/records?dry-run=true", string(rt.Surgery()), "Content-Type", manyLines).Body.String()
	for i, x := range read("/records").Resources {
		assert.Nil(t, x.Resource, "only a dry run shows them")
		ref, _ := resource.ParseRef(x.Reference)
		served, err := d.Read(ref)
		require.NoError(t, err)
		assert.Equal(t, x.Reference, dry.Resources[i].Reference)
		assert.Equal(t, string(served.Body), string(dry.Resources[i].Resource))
		assert.Contains(t, lines, string(served.Body), "and line by line")
	}
}

// When a line cannot be stored the run ends: what follows has no answer, and
// is sent again.
func TestNDJSONEndsWhereNothingCanBeStored(t *testing.T) {
	d := newDoor(t)
	commits := 0
	d.Fault = func(op string) error {
		if op == "commit" {
			if commits++; commits == 2 {
				return errors.New("disk")
			}
		}
		return nil
	}
	body := string(rt.Surgery()) + "\n" + string(rt.Review()) + "\n" + string(rt.Surgery(rt.Record("S-2")))
	got := d.lines("/records", body)
	require.Len(t, got, 2)
	assert.EqualValues(t, 503, got[1]["status"])
	assert.Nil(t, got[1]["answer"])
	d.Fault = nil
	got = d.lines("/records", body)
	require.Len(t, got, 3)
	assert.Equal(t, []any{"unchanged", "stored", "stored"}, []any{got[0]["answer"], got[1]["answer"], got[2]["answer"]})
}

// Over a real connection many lines are answered while a client that reads
// nothing until it has sent everything still gets all of them.
func TestNDJSONOverAConnection(t *testing.T) {
	d := newDoor(t)
	s := httptest.NewServer(d.handler)
	defer s.Close()
	var body strings.Builder
	const n = 400
	for range n {
		body.WriteString(`{"note":"` + strings.Repeat("x", 2000) + "\"}\n")
	}
	client := &http.Client{Timeout: time.Minute}
	r, err := client.Post(s.URL+"/records?dry-run=true", manyLines, strings.NewReader(body.String()))
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Body.Close()) }()
	b, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	assert.Equal(t, n, bytes.Count(b, []byte("\n")))
}

// R-SEC-08, R-OO-09: nothing of a patient stands in a log line, or in a problem that a
// fault of the request caused.
func TestLogsAndProblemsHoldNoPatientData(t *testing.T) {
	const mark = "Zzyzx"
	marked := func(edits ...rt.Edit) []byte {
		return rt.Surgery(append([]rt.Edit{
			rt.Patient(mark), rt.Record(mark), rt.Set("/patient/name/family", mark), rt.Set("/patient/addressLine", mark),
			rt.Set("/surgery/note", mark), rt.Set("/surgery/dressingText", mark), rt.Set("/author/name/family", mark),
		}, edits...)...)
	}
	d := newDoor(t)
	failOnBad(d.World)
	d.post(marked())
	d.post(marked(rt.Set("/surgery/toes/0/block/agents/0/batch", bad), rt.Saved("2026-03-02T11:50:00Z")))
	d.post(marked(rt.Set("/surgery/toes/0/side", mark)))
	d.post([]byte(`{"record":"` + mark))
	d.Fold = nil
	_, err := d.Tick(t.Context(), d.Now.AddDate(1, 0, 0))
	require.NoError(t, err)
	assert.Contains(t, d.Log.String(), "held", "the log is the one written to")
	d.Fault = func(op string) error {
		if op == "put" || op == "put-delivery" || op == "view" {
			return errors.New("disk")
		}
		return nil
	}
	problems := []answer{
		d.post(marked(wide(9), rt.Saved("2026-03-02T11:55:00Z"))),
		d.ask(http.MethodGet, "/records/"+mark+"/"+mark, ""), d.ask(http.MethodGet, "/records/north/"+mark, ""),
		d.ask(http.MethodGet, "/follow-up?clinic=north&"+mark+"="+mark, ""), d.ask(http.MethodGet, "/follow-up?clinic="+mark, ""),
		d.ask(http.MethodGet, "/"+mark, ""), d.ask(http.MethodDelete, "/records/north/"+mark, ""),
	}
	d.Fault = nil
	d.Fold = nil
	for _, p := range problems {
		assert.GreaterOrEqual(t, p.Code, 400)
		assert.NotContains(t, p.Body.String(), mark)
	}
	assert.Contains(t, d.Log.String(), "unavailable")
	assert.NotContains(t, d.Log.String(), mark)
	assert.NotContains(t, d.Log.String(), "dry-run")
}

// A clinic that the settings declare a test says so in each of its lists, and no
// other does: who tries a running bridge writes into no other.
func TestATestClinicSaysSo(t *testing.T) {
	trial, other := newDoor(t, func(o *intake.Options) { o.Test = true }), newDoor(t)
	for _, list := range receive.Lists {
		assert.Equal(t, true, trial.ask(http.MethodGet, "/records/north?list="+list, "").tree["test"], list)
		assert.NotContains(t, other.ask(http.MethodGet, "/records/north?list="+list, "").tree, "test", list)
	}
}
