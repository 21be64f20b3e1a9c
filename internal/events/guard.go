package events

import (
	"crypto/rand"
	"crypto/subtle"
	"log/slog"
	"slices"
	"sync"

	"github.com/nats-io/nats-server/v2/server"

	"nailbridge/internal/access"
)

// guard lets clients into the embedded server, each into the account of one
// clinic: the user names the clinic, the password is the key. The walls between
// accounts are the server's: subjects, streams, consumers and replies of one do
// not exist in another.
type guard struct {
	keys    access.Checker // nil: whoever reaches the server belongs to its one clinic
	clinics []string
	own     string // password of the connections within the process
	log     *slog.Logger

	mu   sync.Mutex
	run  *server.Server
	live map[uint64]session // by the server's number of the connection
}

// session is what a client came in with.
type session struct{ user, secret string }

func newGuard(keys access.Checker, clinics []string, log *slog.Logger) *guard {
	return &guard{keys: keys, clinics: clinics, own: rand.Text(), log: log}
}

// attach makes the guard that of a server that is about to run.
func (g *guard) attach(s *server.Server) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.run, g.live = s, map[uint64]session{}
}

// Check is asked by the server of each client that connects.
func (g *guard) Check(c server.ClientAuthentication) bool {
	sent := c.GetOpts()
	clinic, allowed, ok := g.admit(sent.Username, sent.Password)
	if !ok {
		return false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	account, err := g.run.LookupAccount(Token(clinic))
	if err != nil {
		return false // the server is just starting
	}
	c.RegisterUser(&server.User{Account: account, Permissions: allowed})
	if allowed != nil {
		g.live[c.GetID()] = session{sent.Username, sent.Password}
	}
	return true
}

// admit gives the clinic whose account a client enters, and what it may do
// there; nil permissions are all.
func (g *guard) admit(user, secret string) (clinic string, allowed *server.Permissions, ok bool) {
	switch {
	case subtle.ConstantTimeCompare([]byte(secret), []byte(g.own)) == 1:
		return user, nil, true
	case g.keys == nil:
		return g.clinics[0], nil, true
	}
	caller, known := g.keys.Find(secret)
	if !known || !slices.Contains(caller.Clinics, user) || !slices.Contains(g.clinics, user) {
		return "", nil, false
	}
	allowed = opens(caller.Kind, user)
	return user, allowed, allowed != nil
}

// sweep ends the connections whose key no longer lets them in.
func (g *guard) sweep() {
	if g.keys == nil {
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	for id, s := range g.live {
		if g.run.GetClient(id) == nil {
			delete(g.live, id)
			continue
		}
		if _, _, ok := g.admit(s.user, s.secret); ok {
			continue
		}
		delete(g.live, id)
		if err := g.run.DisconnectClientByID(id); err == nil {
			g.log.Info("a NATS connection was ended: its key is no longer in force")
		}
	}
}

// nothing is a list of subjects that allows none.
var nothing = &server.SubjectPermission{Deny: []string{">"}}

// opens gives what a key of a kind may do in the account of a clinic; nil:
// nothing at all. The practice system publishes records and reads its answers
// and changes. A hub hears what changes while it is connected and publishes
// nothing, requests to the server included: a reply could be led to where
// records are taken. People do not come here.
func opens(kind access.Kind, clinic string) *server.Permissions {
	switch kind {
	case access.ClinicKey:
		return &server.Permissions{
			Publish:   &server.SubjectPermission{Allow: append(reading(AnswersStream, ChangesStream), RecordsSubject(clinic))},
			Subscribe: &server.SubjectPermission{Allow: []string{"_INBOX.>", answersPrefix + Token(clinic) + ".*", ChangesSubject(clinic)}},
		}
	case access.HubKey:
		return &server.Permissions{Publish: nothing, Subscribe: &server.SubjectPermission{Allow: []string{ChangesSubject(clinic)}}}
	}
	return nil
}

// reading are the subjects by which a client reads a stream through consumers
// of its own.
func reading(streams ...string) (out []string) {
	for _, s := range streams {
		out = append(out,
			"$JS.API.STREAM.INFO."+s, "$JS.API.CONSUMER.CREATE."+s+".>", "$JS.API.CONSUMER.INFO."+s+".*",
			"$JS.API.CONSUMER.MSG.NEXT."+s+".*", "$JS.ACK."+s+".>")
	}
	return out
}
