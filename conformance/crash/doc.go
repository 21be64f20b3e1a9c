// Package crash kills a bridge while records come in by both doors and a hub
// polls, starts it again on the same data, and compares what it then holds with
// what one holds that took the same records unbroken. It kills an erasure too, and the start that goes on with it. It has tests
// only.
package crash
