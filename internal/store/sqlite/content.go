package sqlite

import "nailbridge/mapping/resource"

// contentFrom gives the content as put: what was kept of it, else what the
// served body says. Put keeps the content only where the two differ, so that
// most of it is stored once.
func contentFrom(kept, body []byte) ([]byte, error) {
	if kept != nil {
		return kept, nil
	}
	return resource.Unsplice(body)
}
