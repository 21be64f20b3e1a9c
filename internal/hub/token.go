package hub

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"

	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// pageParam is the parameter that carries the token of a page.
const pageParam = "_page"

// token is a place in a walk: which walk, under which bound, after which
// entry. It is sealed, since criteria may be patient data.
type token struct {
	Walk     string  `json:"w"` // walkSearch or walkHistory
	Type     string  `json:"t,omitempty"`
	ID       string  `json:"i,omitempty"` // history of one resource; search in its compartment
	Query    string  `json:"q,omitempty"` // the client's criteria as used
	Notes    []issue `json:"n,omitempty"` // warnings of the search, for each page
	Scope    string  `json:"c,omitempty"` // of the client: nobody else reads its criteria in a self link
	Rows     string  `json:"d,omitempty"` // what the index rows of a search rest on
	Epoch    string  `json:"e"`
	UpTo     int64   `json:"u"`
	Seq      int64   `json:"s"`
	RefType  string  `json:"rt"`
	RefID    string  `json:"ri"`
	Backward bool    `json:"b,omitempty"` // the page before the entry
	// Sort are the values that the entry is sorted by.
	Sort []store.SortValue `json:"v,omitempty"`
}

const (
	walkSearch  = "search"
	walkHistory = "history"
)

func (t token) key() *store.Key {
	return &store.Key{Seq: t.Seq, Ref: resource.Ref{Type: t.RefType, ID: t.RefID}, Sort: t.Sort}
}

// at gives the token moved to an entry.
func (t token) at(k store.Key, backward bool) token {
	t.Seq, t.RefType, t.RefID, t.Sort, t.Backward = k.Seq, k.Ref.Type, k.Ref.ID, k.Sort, backward
	return t
}

// sealer encrypts and authenticates tokens (AES-256-GCM, a random nonce each
// time).
type sealer struct{ aead cipher.AEAD }

const minSecret = 16 // bytes

func newSealer(secret []byte) (sealer, error) {
	if len(secret) < minSecret {
		return sealer{}, fmt.Errorf("%w: the secret of page tokens has fewer than %d bytes", ErrOptions, minSecret)
	}
	key, err := hkdf.Key(sha256.New, secret, nil, "nailbridge page token 1", 32)
	if err != nil {
		return sealer{}, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return sealer{}, err
	}
	aead, err := cipher.NewGCMWithRandomNonce(block)
	return sealer{aead}, err
}

func (s sealer) seal(t token) string {
	return base64.RawURLEncoding.EncodeToString(s.aead.Seal(nil, nil, mustJSON(t), nil))
}

// open reads a token; one that was changed, or made elsewhere, is refused.
func (s sealer) open(text string) (token, error) {
	refused := faultf(http.StatusBadRequest, "invalid", "this page link is not one of ours or was changed")
	sealed, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil {
		return token{}, refused
	}
	plain, err := s.aead.Open(nil, nil, sealed, nil)
	if err != nil {
		return token{}, refused
	}
	var t token
	if json.Unmarshal(plain, &t) != nil {
		return token{}, refused
	}
	return t, nil
}
