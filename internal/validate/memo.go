package validate

import (
	"crypto/sha256"
	"sync"

	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// Checker checks sets as Check does and remembers which bytes passed
// google/fhir, whose verdict depends on nothing else: reading a resource with it
// takes most of the time of a check, and a fold makes most of a patient's
// resources just as they were. The zero value is ready; it is safe for
// concurrent use.
type Checker struct {
	mu sync.Mutex
	// passed holds digests: the newer half, and the half before that.
	newer, older map[digest]struct{}
}

type digest [sha256.Size]byte

// generation is how many digests make a half: some 2 MB of memory in all.
const generation = 16 << 10

// Check is Check of the package.
func (c *Checker) Check(set []resource.Resource, exists func(resource.Ref) bool, t *terms.Terms, s terms.Setting) ([]Checked, []Issue) {
	return check(set, exists, t, s, c)
}

// knows reports that the digest passed.
func (c *Checker) knows(d digest) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, ok := c.newer[d]; ok {
		return true
	}
	if _, ok := c.older[d]; !ok {
		return false
	}
	c.remember(d)
	return true
}

// passed remembers that the digest passed.
func (c *Checker) passed(d digest) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.remember(d)
}

// remember puts a digest into the newer half, which becomes the older one when
// it is full. The lock is held.
func (c *Checker) remember(d digest) {
	if c.newer == nil || len(c.newer) == generation {
		c.older, c.newer = c.newer, make(map[digest]struct{})
	}
	c.newer[d] = struct{}{}
}
