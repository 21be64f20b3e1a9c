package events

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
)

// Names of the streams.
const (
	RecordsStream = "RECORDS"
	AnswersStream = "ANSWERS"
	ChangesStream = "CHANGES"
)

const (
	recordsPrefix = "nailbridge.records."
	answersPrefix = "nailbridge.answers."
	changesPrefix = "nailbridge.changes."
)

// maxToken is the greatest length of a token in bytes. Two of them with a
// prefix stay far below the 4096 bytes that a server takes as one line, and one
// below the 255 of a consumer's name.
const maxToken = 200

// RecordsSubject is where a clinic's records are published.
func RecordsSubject(clinic string) string { return recordsPrefix + Token(clinic) }

// AnswersSubject is where deliveries of a record are answered; record "" is
// that of a delivery whose record id cannot be read.
func AnswersSubject(clinic, record string) string {
	return answersPrefix + Token(clinic) + "." + Token(record)
}

// ChangesSubject is where a clinic's changes are announced.
func ChangesSubject(clinic string) string { return changesPrefix + Token(clinic) }

// Token is an id as one token of a subject (D2.2). Different ids have different
// tokens.
func Token(id string) string {
	if id == "" {
		return "="
	}
	var b strings.Builder
	for i := range len(id) {
		if c := id[i]; plain(c) {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "=%02X", c)
		}
		if b.Len() > maxToken {
			sum := sha256.Sum256([]byte(id))
			return "=sha256-" + hex.EncodeToString(sum[:])
		}
	}
	return b.String()
}

func plain(c byte) bool {
	return 'A' <= c && c <= 'Z' || 'a' <= c && c <= 'z' || '0' <= c && c <= '9' || c == '-' || c == '_'
}
