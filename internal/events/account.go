package events

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// role is what a client of the embedded server does for a clinic. The streams
// are in an account that with keys nobody but the bridge enters; each role has
// one of its own, which borrows what it may use and no more. So a reply that a
// client leads astray, whatever its request, stays among its like: the other
// accounts' subjects and the streams' own requests do not exist where it is.
// Reading is apart from sending because a pull has replies without end: they
// must not be records.
type role string

const (
	sends role = "sends" // a practice system that publishes records and hears what comes of them
	reads role = "reads" // a practice system that reads ANSWERS and CHANGES
	hears role = "hears" // a hub
)

// ReadingUser is the user by which a practice system's key comes in to read; the
// id of the clinic alone is the one by which it sends.
func ReadingUser(clinic string) string { return clinic + readingSuffix }

const readingSuffix = "/reader"

// account names the account of a role at a clinic.
func (r role) account(clinic string) string { return Token(clinic) + "." + string(r) }

// longestPull is the longest expiry that a pull may name, and for how long the
// server leads messages to whoever asked. A pull outlives its connection, so it is
// short. The server has no bound for a pull that names no expiry: it keeps its
// place while its reply is listened for, though what it is given is led nowhere.
const longestPull = 30 * time.Second

// makeAccounts makes the accounts of a clinic, with the streams that it had.
func makeAccounts(s *server.Server, clinic string, keyed bool) error {
	streams, err := s.RegisterAccount(Token(clinic))
	if err == nil {
		err = streams.EnableJetStream(nil, nil)
	}
	if err != nil || !keyed {
		return err
	}
	lent := map[role]struct{ heard, asked []string }{
		sends: {heard: []string{ChangesSubject(clinic), answersOf(clinic)}, asked: []string{RecordsSubject(clinic)}},
		reads: {asked: reading("*", AnswersStream, ChangesStream)},
		hears: {heard: []string{ChangesSubject(clinic)}},
	}
	for _, r := range slices.Sorted(maps.Keys(lent)) {
		to, err := s.RegisterAccount(r.account(clinic))
		if err != nil {
			return err
		}
		for _, subject := range lent[r].heard {
			if err := lendStream(streams, subject, to); err != nil {
				return err
			}
		}
		for _, subject := range lent[r].asked {
			if err := lendService(streams, subject, to); err != nil {
				return err
			}
		}
	}
	return nil
}

// lendStream lets an account hear a subject of another.
func lendStream(of *server.Account, subject string, to *server.Account) error {
	err := of.AddStreamExport(subject, nil)
	if err == nil {
		err = to.AddStreamImport(of, subject, "")
	}
	if err != nil {
		return fmt.Errorf("%s: %w", subject, err)
	}
	return nil
}

// lendService lets an account send requests to a subject of another.
func lendService(of *server.Account, subject string, to *server.Account) error {
	err := of.AddServiceExportWithResponse(subject, server.Streamed, nil)
	if err == nil {
		err = of.SetServiceExportResponseThreshold(subject, longestPull)
	}
	if err == nil {
		err = to.AddServiceImport(of, subject, subject)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", subject, err)
	}
	return nil
}

// answersOf are the subjects of a clinic's answers.
func answersOf(clinic string) string { return answersPrefix + Token(clinic) + ".*" }

// nothing is a list of subjects that allows none.
var nothing = &server.SubjectPermission{Deny: []string{">"}}

// opens gives what a client may do in its account. People do not come here.
func (r role) opens(key, clinic string) *server.Permissions {
	switch r {
	case sends:
		return &server.Permissions{
			Publish:   &server.SubjectPermission{Allow: []string{RecordsSubject(clinic)}},
			Subscribe: &server.SubjectPermission{Allow: []string{inboxes, answersOf(clinic), ChangesSubject(clinic)}},
		}
	case reads:
		return &server.Permissions{
			Publish:   &server.SubjectPermission{Allow: reading(Reader(key), AnswersStream, ChangesStream)},
			Subscribe: &server.SubjectPermission{Allow: []string{inboxes}},
		}
	case hears:
		return &server.Permissions{Publish: nothing, Subscribe: &server.SubjectPermission{Allow: []string{ChangesSubject(clinic)}}}
	}
	return &server.Permissions{Publish: nothing, Subscribe: nothing}
}

// inboxes are where client libraries have replies sent.
const inboxes = "_INBOX.>"

// reading are the subjects by which a client reads streams through a reader;
// "*" is any.
func reading(reader string, streams ...string) (out []string) {
	for _, s := range streams {
		out = append(out, "$JS.API.CONSUMER.INFO."+s+"."+reader, "$JS.API.CONSUMER.MSG.NEXT."+s+"."+reader, "$JS.ACK."+s+"."+reader+".>")
	}
	return out
}
