// Package events is the bridge's second door: NATS with JetStream. It takes
// records from a stream, answers every delivery on another, and relays the
// outbox of the store to a third. The streams carry; the database alone is the
// truth, and an outage here stops nothing elsewhere.
//
// # Streams
//
//	RECORDS  nailbridge.records.<clinic>           in:  one clinic record per message, the JSON of POST /records
//	ANSWERS  nailbridge.answers.<clinic>.<record>  out: what became of each delivery
//	CHANGES  nailbridge.changes.<clinic>           out: what was committed
//
// All are kept on file and have an age limit (Keep). A message may be as large
// as a record on HTTP, record.MaxBytes; NATS counts its headers in. Settings of
// a stream that are not ruled here, such as the replicas of an outside cluster,
// stay as its operator made them.
//
// A subject token is the clinic or record id with each byte outside A-Z a-z
// 0-9 - _ written as =HH, upper-case hexadecimal; an empty id is "="; an id
// whose token would be longer than 200 bytes is "=sha256-" and the SHA-256 of
// the id in lower-case hexadecimal, since a server ends the connection over a
// subject of a few kilobytes (D2.2, Token).
//
// # A delivery
//
// The server's acknowledgement of a publish says that the message is in the
// stream, no more. The promise is the answer: when it is published, what it
// says is committed and synced. A sender sends again whatever has no answer; a
// record may be sent any number of times, and the stream does not de-duplicate
// (D2.2): but for the same Nats-Msg-Id within a tenth of a second, which no server
// lets be switched off. Send none; an acknowledgement that says duplicate is none.
//
// Each message is taken by the durable consumer of the clinic, in the order of
// the stream, and goes through the same intake as HTTP:
//
//	commit -> publish the answer -> acknowledge, and wait for the server to confirm
//
// A crash between two of these repeats the delivery; the intake answers it
// "unchanged" then. None is skipped. A delivery that could not be stored
// (disk full, locked, stopping: "unavailable") has no answer and is sent back
// with a delay that grows to MaxNakDelay; redelivery has no limit (D2). Nothing
// else is sent back: whatever can not be understood, is too large, is empty, or
// makes our own code fail, ends with the answer "refused" and blocks nothing.
//
// The clinic of the subject must be the clinic of the header and of this
// bridge; else the answer is "refused" with the reason other-clinic, on the
// answers of the subject's clinic, and the record is kept under no clinic
// (D2.1). With the embedded server and no keys the bridge takes the subjects of
// every clinic so that a wrong one has an answer too; with keys nobody can
// publish there; on an outside server, where other bridges may serve other
// clinics, it takes its own.
//
// An answer is the JSON of the HTTP answer with two members more:
// streamSequence is that of the message in RECORDS, as in the acknowledgement
// of its publish; truncated, when true, says that lists were cut to the size
// limit of a message, the least urgent first; the whole is at GET
// /records/{clinic}/{record}. Answers and their subjects go to the sender and
// hold what HTTP's hold: read access to ANSWERS is access to patient data.
//
// Answers are published as they are ready: of several of one record the one with
// the greatest streamSequence is the newest, not the last to come.
//
// When the store's epoch changes, because a backup was put back, the consumer
// begins again: what the backup had lost and RECORDS still holds is taken again
// by itself, the rest is answered "unchanged".
//
// # Changes
//
// A commit puts its events into the outbox within its transaction; the relay
// publishes them in that order, one after another. It may repeat, it never
// skips. Headers of a message:
//
//	Nailbridge-Kind      change, overdue or flag
//	Nailbridge-Epoch     of the store that the event was read from
//	Nailbridge-Sequence  of the event among those of its clinic, without a gap
//	Nailbridge-Digest    SHA-256 of the event in the outbox
//
// Bodies are receive.ChangeEvent, receive.OverdueEvent and receive.FlagEvent:
// clinic, record ids, references and codes, nothing about a person, and nothing
// of a patient who is not shared (D3.1). An event about a resource that is gone
// by the time it is relayed, since sharing was declined, is replaced by
// {"clinic","withdrawn":true}; one larger than a message by
// {"clinic","epoch","truncated":true}: a hub then reads the history since the
// last one, and a practice system its records at GET /records.
//
// The relay resumes after the last message of its clinic's subject when epoch,
// sequence and digest are those of an event in the outbox, and at the start of
// the outbox when they are not: after a restore, or when the last message has
// reached its age limit. Readers must bear repeats; an event names versions, so
// that a repeat is seen as one.
//
// # Erasure
//
// Erase deletes an erased patient's messages from the streams of the embedded
// server, which does not run otherwise then, and overwrites them. In CHANGES that
// leaves gaps in the numbers: a hub that meets one reads the history, where the
// DELETE entries are; a practice system has nothing to do. Events in the outbox that named something of the patient say
// "withdrawn" from then on; the relay may begin at its start again.
//
// # Embedded or outside
//
// Options.Listen starts a nats-server within the process, its data in the folder
// Options.Dir, synced at every write. When its file store has failed (a full
// disk leaves a stream read-only for good) it is started again until it works.
// Through each start its files have a second name, in a folder beside, since the
// server deletes a stream that it fails to read: they are put back, and a start
// ends rather than go on without them. The folder belongs on a local disk.
// Options.URL uses a server elsewhere instead; it should have sync_always set
// and a max_payload of at least record.MaxBytes. Everything else is the same.
//
// # Clinics and keys
//
// Each clinic has a door, a relay and a connection of its own. The embedded
// server gives each an account of its own, with its own three streams: the
// subjects, streams, consumers, numbers and replies of one account do not exist
// in another. With keys nobody but the bridge enters these. Practice systems that
// send, practice systems that read, and hubs have an account each, which borrow
// the subjects that they may use and have no streams. A client may name any
// subject for a reply; in its account there is nothing to reach with it but its
// likes of the same clinic. Reading is apart from sending because the heartbeats
// of a pull would be records without end. A trace that a sender asks for
// (Nats-Trace-Dest) may still be led to its own records: one refused record for
// each that it sends.
//
// With Options.Keys a client connects with its key as password. With the id of a
// clinic as user, a key of a practice system publishes records of its clinic
// (with the acknowledgement of JetStream), and hears answers and changes as they
// come. With ReadingUser it reads ANSWERS and CHANGES through the durable pull
// consumer Reader, which the bridge makes of each when the key connects so and
// ends with it: from the oldest message kept, explicit acknowledgement, a
// thousand messages at most unacknowledged, four pulls open at most, each with an
// expiry of 30 seconds at most; one that names none keeps its place while its
// reply is listened for, and later than longestPull what it is given may reach
// nobody before it comes again. It makes no consumer itself. A hub's key, with the id of
// a clinic that it names as user, hears the changes of that clinic while it is
// connected and publishes nothing, requests to JetStream included; what it missed
// is in the history on /fhir. A person's key does not come here.
//
// Whoever is not let in is told the same, whatever there is. A key that ends
// closes its connections within Options.Poll, whatever the streams do, and is
// refused from then on. A key has mostConnections at a clinic and a connection
// connectionSubjects, which plain use never meets. The server has one queue of
// requests for information for all accounts, and drops all when it is full: who
// has a key to read can hold up what the others ask (CONSUMER.INFO), though not
// their records, answers and pulls, nor the bridge, which asks for none. What helps
// is to revoke the key. What clients make the server log is bounded (said).
// Without keys the server serves one clinic, on loopback, to whoever reaches it;
// on any other address it needs keys and Options.TLS. Who may use an outside
// server is its operator's to say.
package events
