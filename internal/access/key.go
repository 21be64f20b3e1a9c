package access

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// Kind says what a key opens.
type Kind string

// The kinds of keys.
const (
	// ClinicKey opens the door of one clinic to its practice system: it
	// delivers records and reads what came of them.
	ClinicKey Kind = "clinic"
	// HubKey opens /fhir to one hub, for the clinics that it names.
	HubKey Kind = "hub"
	// PersonKey is of one named person of one clinic: it reads the clinic's
	// lists and acknowledges flags in that person's name.
	PersonKey Kind = "person"
)

// Key is one bearer key as kept: never the secret itself.
type Key struct {
	ID      string    `json:"id"`      // names the key in logs and lists; no secret
	Kind    Kind      `json:"kind"`    //
	Clinics []string  `json:"clinics"` // one, but for a hub
	Name    string    `json:"name"`    // what it is called in lists: of the hub or the practice system
	Person  *Person   `json:"person,omitempty"`
	SHA256  string    `json:"sha256"` // of the secret as sent, in hexadecimal
	Made    time.Time `json:"made"`
}

// Person is whose a key is, in the words of a clinic record: known by
// registration, by the clinic's own staff key, or by both.
type Person struct {
	Registration *Registration `json:"registration,omitempty"`
	StaffKey     string        `json:"staffKey,omitempty"`
	Family       string        `json:"family"`
	Given        []string      `json:"given,omitempty"`
}

// Registration is a number with the absolute URI of who gave it.
type Registration struct {
	System string `json:"system"`
	Value  string `json:"value"`
}

// known reports a person who can be told from others by name and number.
func (p *Person) known() bool {
	registered := p.Registration != nil
	if registered && (p.Registration.System == "" || p.Registration.Value == "") {
		return false // half a registration is none
	}
	return p.Family != "" && (p.StaffKey != "" || registered)
}

// Sizes in bytes of what is drawn at random for a key.
const (
	secretSize = 32
	idSize     = 4
)

// secretPrefix begins every secret, so that one which leaked into a file can be
// found there.
const secretPrefix = "nailbridge_"

// NewKey completes a key of a kind, for clinics, with a name or a person, by
// what is drawn at random. The secret is shown once and kept nowhere.
func NewKey(k Key, random io.Reader, made time.Time) (full Key, secret string, err error) {
	var b [idSize + secretSize]byte
	if _, err := io.ReadFull(random, b[:]); err != nil {
		return Key{}, "", err
	}
	secret = secretPrefix + base64.RawURLEncoding.EncodeToString(b[idSize:])
	sum := sha256.Sum256([]byte(secret))
	k.ID, k.SHA256, k.Made = hex.EncodeToString(b[:idSize]), hex.EncodeToString(sum[:]), made.UTC().Truncate(time.Second)
	if k.Person != nil && k.Name == "" {
		k.Name = strings.Join(append(slices.Clone(k.Person.Given), k.Person.Family), " ")
	}
	return k, secret, k.check()
}

// check gives every fault of a key.
func (k Key) check() error {
	var errs []error
	fault := func(text string) { errs = append(errs, fmt.Errorf("key %q: %s", k.ID, text)) }
	if k.ID == "" {
		fault("id is missing")
	}
	if sum, err := hex.DecodeString(k.SHA256); err != nil || len(sum) != sha256.Size {
		fault("sha256 is not 64 hexadecimal digits")
	}
	if strings.TrimSpace(k.Name) == "" {
		fault("name is missing")
	}
	if slices.Contains(k.Clinics, "") {
		fault("a clinic has no name")
	}
	if (k.Person != nil) != (k.Kind == PersonKey) || k.Person != nil && !k.Person.known() {
		fault("a key of kind person, and no other, names a person: family name, and registration or staff key")
	}
	switch k.Kind {
	case ClinicKey, PersonKey:
		if len(k.Clinics) != 1 {
			fault("a key of kind " + string(k.Kind) + " is for one clinic")
		}
	case HubKey:
		if len(k.Clinics) == 0 {
			fault("a hub's key names its clinics; there is none for all")
		}
	default:
		fault("kind is not one of clinic, hub, person")
	}
	return errors.Join(errs...)
}

// Caller is who a request comes from.
type Caller struct {
	Key     string // ID of the key, for logs
	Kind    Kind
	Clinics []string
	Person  *Person // nil, but for a person's key
}

// Keys are the keys in force. The zero Keys open nothing.
type Keys []Key

// find gives the caller whose secret was sent. Every key is compared, in
// constant time, so that the time taken tells nothing of any.
func (ks Keys) find(secret string) (Caller, bool) {
	sum := sha256.Sum256([]byte(secret))
	var (
		c     Caller
		found bool
	)
	for _, k := range ks {
		kept, err := hex.DecodeString(k.SHA256)
		if err == nil && subtle.ConstantTimeCompare(kept, sum[:]) == 1 {
			c, found = Caller{Key: k.ID, Kind: k.Kind, Clinics: k.Clinics, Person: k.Person}, true
		}
	}
	return c, found
}

// check gives every fault of a set of keys.
func (ks Keys) check() error {
	var errs []error
	ids, sums := map[string]bool{}, map[string]bool{}
	for _, k := range ks {
		errs = append(errs, k.check())
		if ids[k.ID] {
			errs = append(errs, fmt.Errorf("key %q: the id is given twice", k.ID))
		}
		if sum := strings.ToLower(k.SHA256); sums[sum] {
			errs = append(errs, fmt.Errorf("key %q: the same secret as another key", k.ID))
		} else {
			sums[sum] = true
		}
		ids[k.ID] = true
	}
	return errors.Join(errs...)
}
