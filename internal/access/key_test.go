package access_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
)

var made = time.Date(2026, 4, 20, 12, 0, 0, 0, time.UTC)

// newKey makes a key from bytes that differ by n.
func newKey(t testing.TB, n byte, kind access.Kind, name string, clinics ...string) (access.Key, string) {
	t.Helper()
	k := access.Key{Kind: kind, Name: name, Clinics: clinics}
	if kind == access.PersonKey {
		k.Person = &access.Person{Family: "Quill", Given: []string{"Ada"}, StaffKey: "st-1"}
	}
	k, secret, err := access.NewKey(k, bytes.NewReader(bytes.Repeat([]byte{n}, 64)), made)
	require.NoError(t, err)
	return k, secret
}

func writeKeys(t testing.TB, keys ...access.Key) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "keys.json")
	require.NoError(t, access.WriteKeys(path, keys))
	return path
}

func open(t testing.TB, path string) (*access.KeyFile, *[]error) {
	t.Helper()
	var said []error
	f, err := access.OpenKeyFile(path, func(err error) { said = append(said, err) })
	require.NoError(t, err)
	return f, &said
}

// The file holds the SHA-256 of the secret as it is sent, and the secret
// nowhere.
func TestKeysAreKeptAsSHA256(t *testing.T) {
	k, secret := newKey(t, 1, access.ClinicKey, "practice system", "north")
	path := writeKeys(t, k)
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	sum := sha256.Sum256([]byte(secret))
	assert.Contains(t, string(b), hex.EncodeToString(sum[:]))
	assert.NotContains(t, string(b), secret)
	assert.NotContains(t, string(b), strings.TrimPrefix(secret, "nailbridge_"))
	assert.GreaterOrEqual(t, len(strings.TrimPrefix(secret, "nailbridge_")), 43, "256 bits in base64url")
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	f, _ := open(t, path)
	c, ok := f.Find(secret)
	assert.True(t, ok)
	assert.Equal(t, access.Caller{Key: k.ID, Kind: access.ClinicKey, Clinics: []string{"north"}}, c)
	for _, wrong := range []string{"", " ", secret + "x", secret[:len(secret)-1], k.ID, k.SHA256, strings.ToUpper(secret)} {
		_, ok := f.Find(wrong)
		assert.False(t, ok, wrong)
	}
}

func TestEachKindNamesWhatItMust(t *testing.T) {
	for _, c := range []struct {
		kind    access.Kind
		name    string
		clinics []string
		person  *access.Person
		ok      bool
	}{
		{access.ClinicKey, "n", []string{"north"}, nil, true},
		{access.ClinicKey, "n", nil, nil, false},
		{access.ClinicKey, "n", []string{"north", "south"}, nil, false},
		{access.ClinicKey, " ", []string{"north"}, nil, false},
		{access.ClinicKey, "n", []string{"north"}, &access.Person{Family: "Quill", StaffKey: "st-1"}, false},
		{access.PersonKey, "", []string{"north"}, &access.Person{Family: "Quill", StaffKey: "st-1"}, true},
		{access.PersonKey, "", []string{"north"}, &access.Person{Family: "Quill"}, false},
		{access.PersonKey, "Ada Quill", []string{"north"}, nil, false},
		{access.PersonKey, "", []string{"north", "south"}, &access.Person{Family: "Quill", StaffKey: "st-1"}, false},
		{access.HubKey, "hub", []string{"north", "south"}, nil, true},
		{access.HubKey, "hub", nil, nil, false},
		{access.HubKey, "hub", []string{""}, nil, false},
		{"admin", "n", []string{"north"}, nil, false},
	} {
		_, _, err := access.NewKey(access.Key{Kind: c.kind, Name: c.name, Clinics: c.clinics, Person: c.person}, bytes.NewReader(make([]byte, 64)), made)
		assert.Equal(t, c.ok, err == nil, "%+v: %v", c, err)
	}
	_, _, err := access.NewKey(access.Key{Kind: access.ClinicKey, Name: "n", Clinics: []string{"north"}}, bytes.NewReader(make([]byte, 35)), made)
	assert.Error(t, err, "too little at random makes no key")
}

func TestKeyFilesWithFaultsAreNotUsed(t *testing.T) {
	k, _ := newKey(t, 1, access.ClinicKey, "n", "north")
	b, err := json.Marshal(map[string]any{"keys": []access.Key{k}})
	require.NoError(t, err)
	good := string(b)
	other, _ := newKey(t, 2, access.ClinicKey, "n", "north")
	both := func(edit func(*access.Key)) string {
		twin := other
		edit(&twin)
		b, err := json.Marshal(map[string]any{"keys": []access.Key{k, twin}})
		require.NoError(t, err)
		return string(b)
	}
	for text, fault := range map[string]string{
		"keys": "invalid character", good + "{}": "something follows", strings.Replace(good, `"kind"`, `"role":"x","kind"`, 1): "unknown field",
		strings.Replace(good, k.SHA256, k.SHA256[2:], 1): "64 hexadecimal digits", strings.Replace(good, `"clinic"`, `"admin"`, 1): "kind is not one of",
		both(func(twin *access.Key) { twin.ID = k.ID }):                          "twice",
		both(func(twin *access.Key) { twin.SHA256 = strings.ToUpper(k.SHA256) }): "the same secret",
	} {
		path := filepath.Join(t.TempDir(), "keys.json")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		_, err := access.OpenKeyFile(path, nil)
		assert.ErrorContains(t, err, fault, text)
	}
	_, err = access.ReadKeys(writeFile(t, both(func(*access.Key) {})))
	assert.NoError(t, err, "two keys that differ in both")
	_, err = access.OpenKeyFile(filepath.Join(t.TempDir(), "none"), nil)
	assert.ErrorIs(t, err, os.ErrNotExist)
}

// A key counts, or ends, from the next request on.
func TestKeysAreReadAgainWithoutARestart(t *testing.T) {
	one, secretOne := newKey(t, 1, access.ClinicKey, "n", "north")
	two, secretTwo := newKey(t, 2, access.ClinicKey, "s", "south")
	path := writeKeys(t, one)
	f, said := open(t, path)
	_, ok := f.Find(secretTwo)
	assert.False(t, ok)

	require.NoError(t, access.AddKey(path, two))
	_, ok = f.Find(secretTwo)
	assert.True(t, ok, "added")
	require.NoError(t, access.RevokeKey(path, one.ID))
	_, ok = f.Find(secretOne)
	assert.False(t, ok, "revoked")
	assert.ErrorContains(t, access.RevokeKey(path, one.ID), one.ID, "not there any more")
	assert.Empty(t, *said)

	require.NoError(t, os.WriteFile(path, []byte("half a fi"), 0o600))
	for range 3 {
		_, ok = f.Find(secretTwo)
		assert.True(t, ok, "a file that cannot be read locks nobody out")
	}
	assert.Len(t, *said, 1, "said once per change")
	require.NoError(t, os.Remove(path))
	for range 3 {
		_, ok = f.Find(secretTwo)
		assert.False(t, ok, "a file that was removed opens nothing")
	}
	assert.Len(t, *said, 2)
	require.NoError(t, access.AddKey(path, two))
	_, ok = f.Find(secretTwo)
	assert.True(t, ok, "back again")
}

// RFC 6750 sections 2.1 and 3, R-CAP-01: 401 without a key in force, but for /metadata,
// and 403 for one that does not open the path; neither says what there is.
func TestKeysOpenTheirOwnPathsOnly(t *testing.T) {
	clinic, clinicSecret := newKey(t, 1, access.ClinicKey, "n", "north")
	hub, hubSecret := newKey(t, 2, access.HubKey, "hub", "north", "south")
	person, personSecret := newKey(t, 3, access.PersonKey, "Ada Quill", "north")
	f, _ := open(t, writeKeys(t, clinic, hub, person))
	var caller access.Caller
	h := access.Require(f, http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { caller, _ = access.CallerOf(r.Context()) }))

	for _, c := range []struct {
		method, path, auth string
		status             int
		key                string
	}{
		{"GET", "/health", "", 200, ""},
		{"HEAD", "/health", "", 200, ""},
		{"GET", "/health/nats", "", 200, ""},
		{"GET", "/health/other", "", 401, ""},
		{"GET", "/ready", "", 200, ""},
		{"GET", "/fhir/metadata", "", 200, ""},
		{"POST", "/fhir/metadata", "", 401, ""},
		{"GET", "/metrics", "", 401, ""},
		{"GET", "/fhir/Patient", "", 401, ""},
		{"GET", "/fhir/Patient", "Bearer " + hubSecret, 200, hub.ID},
		{"GET", "/fhir/Patient", "bearer  " + hubSecret, 200, hub.ID},
		{"GET", "/fhir/Patient", "Bearer " + clinicSecret, 403, ""},
		{"GET", "/fhir/Patient", "Bearer " + personSecret, 403, ""},
		{"GET", "/fhir", "Bearer " + clinicSecret, 403, ""},
		{"GET", "/fhir/Patient", "Basic " + hubSecret, 401, ""},
		{"GET", "/fhir/Patient", "Bearer", 401, ""},
		{"GET", "/fhir/Patient", "Bearer nailbridge_wrong", 401, ""},
		{"GET", "/fhir/Patient?access_token=" + hubSecret, "", 401, ""},
		{"POST", "/records", "Bearer " + clinicSecret, 200, clinic.ID},
		{"POST", "/records", "Bearer " + hubSecret, 403, ""},
		{"GET", "/follow-up", "Bearer " + personSecret, 200, person.ID},
		{"GET", "/follow-up", "Bearer " + hubSecret, 403, ""},
		{"GET", "/nothing-here", "", 401, ""},
	} {
		caller = access.Caller{}
		r := httptest.NewRequestWithContext(t.Context(), c.method, c.path, nil)
		if c.auth != "" {
			r.Header.Set("Authorization", c.auth)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		what := c.method + " " + c.path + " " + c.auth
		assert.Equal(t, c.status, w.Code, what)
		assert.Equal(t, c.key, caller.Key, what)
		challenge := w.Header().Get("WWW-Authenticate")
		assert.Equal(t, c.status == 401, challenge != "", what)
		assert.Equal(t, c.status == 401 && strings.HasPrefix(c.auth, "Bearer nailbridge_"), strings.Contains(challenge, `error="invalid_token"`), what)
		assert.Equal(t, c.status != 200, w.Header().Get("Cache-Control") == "no-store", what)
		for _, s := range []string{"north", "south", "Quill", clinic.ID, hub.ID, hubSecret} {
			assert.NotContains(t, w.Body.String(), s, what)
		}
	}
}

// The side that a key opens is the side that its requests come to, whatever the
// path looks like.
func TestASideIsReachedByItsKeysAlone(t *testing.T) {
	hub, hubSecret := newKey(t, 1, access.HubKey, "hub", "north")
	clinic, clinicSecret := newKey(t, 2, access.ClinicKey, "n", "north")
	f, _ := open(t, writeKeys(t, hub, clinic))
	reached := ""
	side := func(name string) http.Handler {
		return http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached = name })
	}
	h := access.Require(f, access.Sides(side("hub"), side("clinic")))
	for path, want := range map[string]string{
		"/fhir": "hub", "/fhir/": "hub", "/fhir/Patient": "hub", "/fhir//records": "hub", "/fhir/../records": "hub", "/fhir%2FPatient": "hub",
		"/records": "clinic", "/fhirs": "clinic", "/FHIR/Patient": "clinic", "//fhir/Patient": "clinic", "/records/fhir": "clinic", "/": "clinic",
	} {
		for secret, opens := range map[string]string{hubSecret: "hub", clinicSecret: "clinic"} {
			reached = ""
			r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil)
			r.Header.Set("Authorization", "Bearer "+secret)
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if opens == want {
				assert.Equal(t, want, reached, path)
				continue
			}
			assert.Empty(t, reached, path)
			assert.Equal(t, http.StatusForbidden, w.Code, path)
		}
	}
}

func TestTwoAuthorizationHeadersAreNoKey(t *testing.T) {
	k, secret := newKey(t, 1, access.HubKey, "hub", "north")
	f, _ := open(t, writeKeys(t, k))
	h := access.Require(f, http.NotFoundHandler())
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/fhir/Patient", nil)
	r.Header["Authorization"] = []string{"Bearer " + secret, "Bearer x"}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	assert.Equal(t, http.StatusUnauthorized, w.Code)
}

func TestAKeyOpensTheDoorOfItsClinic(t *testing.T) {
	served := ""
	door := func(name string) http.Handler {
		return http.HandlerFunc(func(http.ResponseWriter, *http.Request) { served = name })
	}
	h := access.ByClinic(map[string]http.Handler{"north": door("north"), "south": door("south")})
	for _, c := range []struct {
		clinics []string
		served  string
	}{{[]string{"north"}, "north"}, {[]string{"south"}, "south"}, {[]string{"west"}, ""}, {[]string{"north", "south"}, ""}, {nil, ""}} {
		served = ""
		r := httptest.NewRequestWithContext(access.WithCaller(t.Context(), access.Caller{Clinics: c.clinics}), http.MethodPost, "/records", nil)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		assert.Equal(t, c.served, served, c.clinics)
		assert.Equal(t, c.served == "", w.Code == http.StatusForbidden, c.clinics)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/records", nil))
	assert.Equal(t, http.StatusForbidden, w.Code, "nobody")
}

func writeFile(t *testing.T, text string) string {
	path := filepath.Join(t.TempDir(), "keys.json")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}
