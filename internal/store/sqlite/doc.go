// Package sqlite is the store of one machine: one SQLite file (modernc.org/
// sqlite, no cgo) in a folder of its own, readable by its owner alone.
//
// # Connections
//
// One connection writes, each time in a transaction that takes the write lock
// at its start (BEGIN IMMEDIATE); others read. In WAL mode a read transaction
// sees the last commit before it and waits for no writer. The settings that
// durability rests on stand in the DSN, since a PRAGMA by Exec reaches one
// connection of a pool only, and are read back on every connection made; a
// connection that reads back anything else is not used.
//
// # Order
//
// A commit that changes what a hub sees takes a stamp inside its transaction,
// under the write lock: the next sequence number and max(now, last + 1 ms), by
// the rules of package order. So does a restore, though nothing changes by it.
// So sequence, lastUpdated and visibility follow one order: a snapshot with
// head n sees every commit up to n whole, and nothing later.
//
// # Walks under a bound
//
// Each version row carries the sequence at which it began (seq) and the one
// at which its successor began (until). A search bounded by b looks at the
// versions with seq <= b < until: the state of the resources as of b. Index
// rows belong to versions and are kept with them, so a resource updated while
// somebody pages is still found, at its place, in its version of then. Pages
// are cut by the key (seq, type, id) of their last entry, which never moves.
// Only hiding reaches back: a version hidden later (sharing declined, or
// masked) is in no page made afterwards, under any bound, and its index rows
// are removed. Its bytes stay in the file.
//
// # Cost
//
// A search takes the way of the condition with few index rows: a compartment, or
// one that names a patient, else found by counting up to a small cap; and otherwise
// walks the versions of the type in order, trying the conditions on each, by its own
// index rows. Neither way sorts more than the cap, or than what there is of a
// patient, but where Query.Sort names values: then each page sorts all that match.
// So does Page.Total visit every match, but where the first page holds all: who
// walks a feed asks without it. A walk passes over what lies outside the scope one
// by one.
//
// Small questions are most of what hubs ask, and what stands around their one
// statement was once ten times its cost: so connections keep statements prepared,
// a snapshot begins and ends with the one read that it needs anyway, and statements
// that take a few steps run under a context that nobody has to watch.
package sqlite
