package events

import (
	"crypto/rand"
	"crypto/subtle"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"nailbridge/internal/access"
)

// guard lets clients into the embedded server, each into the account of its role
// at one clinic: the user names the clinic, and whether it is to read, the
// password is the key. The walls between accounts are the server's.
type guard struct {
	keys    access.Checker // nil: whoever reaches the server belongs to its one clinic
	clinics []string
	own     string // password of the connections within the process
	log     *slog.Logger
	said    *said

	mu   sync.Mutex
	run  *server.Server
	live map[uint64]session // by the server's number of the connection
	open chan struct{}      // closed when that server is, or has failed to start
	let  letsRead           // nil: not yet
}

// letsRead makes readers.
type letsRead interface {
	// letRead asks for the readers of a key, and gives what is closed when that was
	// tried.
	letRead(clinic, key string) <-chan struct{}
	// forgetReaders says that there may be none.
	forgetReaders()
}

// mostConnections is how many connections a key may have at a clinic. A practice
// system needs two and a hub one; the rest is for what was not closed yet. It
// keeps one key from taking the room of all (serverConnections).
const mostConnections = 64

// session is a client that is in.
type session struct {
	user, secret string // what it came in with
	clinic, key  string // whose
	role         role
}

func newGuard(keys access.Checker, clinics []string, log *slog.Logger, clock func() time.Time) *guard {
	return &guard{keys: keys, clinics: clinics, own: rand.Text(), log: log, said: &said{log: log, clock: clock}}
}

// attach makes the guard that of a server that is about to run. Who comes before
// it is open waits.
func (g *guard) attach(s *server.Server) (open func()) {
	g.mu.Lock()
	defer g.mu.Unlock()
	made := make(chan struct{})
	g.run, g.live, g.open = s, map[uint64]session{}, made
	if g.let != nil {
		g.let.forgetReaders()
	}
	return func() { close(made) }
}

// serve sets what makes readers.
func (g *guard) serve(let letsRead) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.let = let
}

// openTime is how long a client waits for the accounts to be made, and admitTime
// how long the server lets it take to be let in at all.
const (
	openTime  = 10 * time.Second
	admitTime = openTime + readTime + time.Second
)

// Check is asked by the server of each client that connects.
func (g *guard) Check(c server.ClientAuthentication) bool {
	sent := c.GetOpts()
	in, ok := g.admit(sent.Username, sent.Password)
	if !ok {
		return false
	}
	g.mu.Lock()
	run, open, let := g.run, g.open, g.let
	g.mu.Unlock()
	select {
	case <-open:
	case <-time.After(openTime): // refused twice, a client gives up for good
		return false
	}
	account, err := run.LookupAccount(in.account)
	if err != nil {
		return false
	}
	if in.role == reads && let != nil {
		select {
		case <-let.letRead(in.clinic, in.key):
		case <-time.After(readTime):
		}
	}
	if in.allowed != nil && !g.count(run, c.GetID(), in.session) {
		g.said.say(slog.LevelWarn, "connections", "a client was refused: its key has as many connections as it may")
		return false
	}
	c.RegisterUser(&server.User{Account: account, Permissions: in.allowed})
	return true
}

// count notes a client that is let in, unless its key has as many connections to
// that clinic as it may.
func (g *guard) count(run *server.Server, id uint64, in session) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.run != run {
		return true // that server ends, and its clients with it
	}
	has := 0
	for at, s := range g.live {
		if s.key != in.key || s.clinic != in.clinic {
			continue
		}
		if has++; has >= mostConnections && g.run.GetClient(at) == nil {
			delete(g.live, at)
			has--
		}
	}
	if has >= mostConnections {
		return false
	}
	g.live[id] = in
	return true
}

// entry is how a client comes in; nil permissions are all.
type entry struct {
	session
	account string
	allowed *server.Permissions
}

// admit says how a client comes in, if it does.
func (g *guard) admit(user, secret string) (in entry, ok bool) {
	switch {
	case subtle.ConstantTimeCompare([]byte(secret), []byte(g.own)) == 1:
		return entry{account: Token(user)}, true
	case g.keys == nil:
		return entry{account: Token(g.clinics[0])}, true
	}
	caller, known := g.keys.Find(secret)
	clinic, toRead := strings.CutSuffix(user, readingSuffix)
	if !known || !slices.Contains(caller.Clinics, clinic) || !slices.Contains(g.clinics, clinic) {
		return entry{}, false
	}
	s := session{user: user, secret: secret, clinic: clinic, key: caller.Key}
	switch {
	case caller.Kind == access.ClinicKey && toRead:
		s.role = reads
	case caller.Kind == access.ClinicKey:
		s.role = sends
	case caller.Kind == access.HubKey && !toRead:
		s.role = hears
	default:
		return entry{}, false
	}
	return entry{session: s, account: s.role.account(clinic), allowed: s.role.opens(caller.Key, clinic)}, true
}

// sweep ends the connections whose key no longer lets them in, and gives the
// sessions of practice systems: those that read and stay, and those that ended so.
func (g *guard) sweep() (stay, ended []session) {
	if g.keys == nil {
		return nil, nil
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	for id, s := range g.live {
		if g.run.GetClient(id) == nil {
			delete(g.live, id)
			continue
		}
		if _, ok := g.admit(s.user, s.secret); ok {
			if s.role == reads {
				stay = append(stay, s)
			}
			continue
		}
		delete(g.live, id)
		if err := g.run.DisconnectClientByID(id); err == nil {
			g.log.Info("a NATS connection was ended: its key is no longer in force")
		}
		if s.role != hears {
			ended = append(ended, s)
		}
	}
	return stay, ended
}
