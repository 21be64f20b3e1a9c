package events

import (
	"fmt"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"nailbridge/internal/access"
)

// Accounts of a clinic in the embedded server. The streams are in an account
// that with keys nobody but the bridge enters; practice systems and hubs have
// one each, which imports what they may use and no more. So a reply that a
// client leads astray, whatever its request, stays among its like: the other
// accounts' subjects and the streams' own requests do not exist where it is.
const (
	practiceSuffix = ".practice"
	hubSuffix      = ".hub"
)

// accountOf names the account that a key of a kind enters; "": none.
func accountOf(kind access.Kind, clinic string) string {
	switch kind {
	case access.ClinicKey:
		return Token(clinic) + practiceSuffix
	case access.HubKey:
		return Token(clinic) + hubSuffix
	}
	return ""
}

// longestPull is for how long a pull may stay open: the server leads no message
// to whoever asked longer ago. It outlives its connection, so it is short.
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
	practice, err := s.RegisterAccount(accountOf(access.ClinicKey, clinic))
	if err != nil {
		return err
	}
	hub, err := s.RegisterAccount(accountOf(access.HubKey, clinic))
	if err != nil {
		return err
	}
	for _, to := range []*server.Account{practice, hub} {
		if err := lendStream(streams, ChangesSubject(clinic), to); err != nil {
			return err
		}
	}
	if err := lendStream(streams, answersOf(clinic), practice); err != nil {
		return err
	}
	requests := append(reading("*", AnswersStream, ChangesStream), RecordsSubject(clinic))
	for _, subject := range requests {
		if err := lendService(streams, subject, practice); err != nil {
			return err
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

// opens gives what a key may do in its account; nil: nothing at all. The
// practice system publishes records and reads its answers and changes. A hub
// hears what changes while it is connected and publishes nothing. People do not
// come here.
func opens(caller access.Caller, clinic string) *server.Permissions {
	switch caller.Kind {
	case access.ClinicKey:
		return &server.Permissions{
			Publish: &server.SubjectPermission{
				Allow: append(reading(Reader(caller.Key), AnswersStream, ChangesStream), RecordsSubject(clinic)),
			},
			Subscribe: &server.SubjectPermission{Allow: []string{"_INBOX.>", answersOf(clinic), ChangesSubject(clinic)}},
		}
	case access.HubKey:
		return &server.Permissions{Publish: nothing, Subscribe: &server.SubjectPermission{Allow: []string{ChangesSubject(clinic)}}}
	}
	return nil
}

// reading are the subjects by which a client reads streams through a reader;
// "*" is any.
func reading(reader string, streams ...string) (out []string) {
	for _, s := range streams {
		out = append(out, "$JS.API.CONSUMER.INFO."+s+"."+reader, "$JS.API.CONSUMER.MSG.NEXT."+s+"."+reader, "$JS.ACK."+s+"."+reader+".>")
	}
	return out
}
