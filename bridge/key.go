package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"text/tabwriter"
	"unicode"

	"nailbridge/internal/access"
)

// keyCommand makes and ends bearer keys.
type keyCommand struct {
	Keys   string        `required:"" type:"path" placeholder:"FILE" help:"File of keys; made if it does not exist."`
	Clinic keyForClinic  `cmd:"" help:"Make a key for the practice system of one clinic."`
	Hub    keyForHub     `cmd:"" help:"Make a key for one hub, to read the clinics that are named."`
	Person keyForPerson  `cmd:"" help:"Make a key for one named person of a clinic, to acknowledge flags."`
	List   keyList       `cmd:"" help:"List the keys, without their secrets."`
	Revoke revokeCommand `cmd:"" help:"End a key."`
}

type keyForClinic struct {
	ID   string `arg:"" help:"Clinic, as in record headers."`
	Name string `default:"practice system" help:"What the key is called in lists."`
}

// Run makes a key for a clinic's practice system.
func (c keyForClinic) Run(e *env, all *commands) error {
	return makeKey(e, all.Key.Keys, access.Key{Kind: access.ClinicKey, Name: c.Name, Clinics: []string{c.ID}})
}

type keyForHub struct {
	Name    string   `arg:"" help:"What the hub is called in lists."`
	Clinics []string `name:"clinic" sep:"none" required:"" help:"A clinic that it may read; give it again for each further one."`
}

// Run makes a key for a hub.
func (c keyForHub) Run(e *env, all *commands) error {
	return makeKey(e, all.Key.Keys, access.Key{Kind: access.HubKey, Name: c.Name, Clinics: c.Clinics})
}

type keyForPerson struct {
	Family       string   `arg:"" help:"Family name."`
	Given        []string `sep:"none" help:"Given name; give it again for each further one."`
	Clinic       string   `required:"" help:"Clinic, as in record headers."`
	StaffKey     string   `name:"staff-key" help:"Staff key, as in records."`
	Registration string   `placeholder:"SYSTEM|VALUE" help:"Registration number, as in records: the URI of the register, a bar, the number."`
}

// Run makes a key for a named person.
func (c keyForPerson) Run(e *env, all *commands) error {
	p := &access.Person{Family: c.Family, Given: c.Given, StaffKey: c.StaffKey}
	if c.Registration != "" {
		system, value, found := strings.Cut(c.Registration, "|")
		if !found {
			return errors.New("--registration is SYSTEM|VALUE")
		}
		p.Registration = &access.Registration{System: system, Value: value}
	}
	return makeKey(e, all.Key.Keys, access.Key{Kind: access.PersonKey, Clinics: []string{c.Clinic}, Person: p})
}

// makeKey adds a key to the file and shows its secret, this once: alone on
// stdout, so that it can be kept without being seen.
func makeKey(e *env, path string, k access.Key) error {
	k, secret, err := access.NewKey(k, rand.Reader, e.clock())
	if err != nil {
		return err
	}
	if err := access.AddKey(path, k); err != nil {
		return err
	}
	fmt.Fprintf(e.stderr, "Key %s for %s. Its secret is shown this once; the file keeps only the SHA-256.\n", k.ID, inOneLine(k.Name))
	_, err = fmt.Fprintln(e.stdout, secret)
	return err
}

type keyList struct{}

// Run lists the keys without their secrets.
func (keyList) Run(e *env, all *commands) error {
	keys, err := access.ReadKeys(all.Key.Keys)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
	for _, k := range keys {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", k.ID, k.Kind, inOneLine(strings.Join(k.Clinics, ",")), k.Made.Format("2006-01-02"), inOneLine(k.Name))
	}
	return w.Flush()
}

// inOneLine is a text as it is, or quoted where it would not be one line of
// what can be seen.
func inOneLine(s string) string {
	if strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return strconv.Quote(s)
	}
	return s
}

type revokeCommand struct {
	ID string `arg:"" help:"Key, as listed."`
}

// Run ends a key.
func (c revokeCommand) Run(_ *env, all *commands) error { return access.RevokeKey(all.Key.Keys, c.ID) }
