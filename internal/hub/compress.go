package hub

import (
	"bytes"
	"io"
	"sync"

	"github.com/klauspost/compress/gzip"
)

// vary names what an answer depends on beside its URL (RFC 9110 section 12.5.5).
const vary = "Accept, Accept-Encoding"

// minCompressed is the length from which a body is worth its compression, in
// bytes: a shorter one goes in one packet anyway.
const minCompressed = 1 << 10

// gzipped reports whether a body of n bytes goes out as gzip (RFC 9110 section
// 12.5.3): only to a client that takes it and does not like it less than the
// body as it is. A client that refuses the body as it is gets short ones
// compressed too.
//
// The length of a compressed answer tells something about it to who can see
// that length and can place text of his own beside what is secret, often. The
// text that a request can place here is that of its own self link. Only who
// holds a key asks at all, and reads the answer anyway; no browser adds a key
// by itself; and without keys the answers do not leave the machine.
func gzipped(headers []string, n int) bool {
	const unsaid = -1.0
	zip, plain, other := unsaid, unsaid, unsaid
	for e := range elements(headers) {
		name, _, q, ok := weighed(e)
		switch {
		case !ok:
		case name == "gzip", name == "x-gzip": // RFC 9110 section 8.4.1.3
			zip = max(zip, q)
		case name == "identity":
			plain = q
		case name == "*":
			other = q
		}
	}
	if zip == unsaid {
		zip = other
	}
	if zip <= 0 || zip < plain {
		return false
	}
	refused := plain == 0 || plain == unsaid && other == 0
	return refused || n >= minCompressed
}

// writers are gzip writers for use again: one takes some hundreds of kB.
var writers = sync.Pool{New: func() any {
	w, err := gzip.NewWriterLevel(io.Discard, gzip.BestSpeed)
	if err != nil {
		panic(err) // BestSpeed is a level
	}
	return w
}}

// compress gives a body as gzip. The length must be known before anything is
// sent, for HEAD too (RFC 9110 section 8.6), so it is done whole.
func compress(body []byte) []byte {
	var out bytes.Buffer
	w := writers.Get().(*gzip.Writer)
	defer writers.Put(w)
	w.Reset(&out)
	_, err := w.Write(body)
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		panic(err) // a buffer takes everything
	}
	return out.Bytes()
}
