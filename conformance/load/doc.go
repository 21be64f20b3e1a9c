// Command load drives a bridge of its own, the built binary on this machine,
// through both doors while pollers read what hubs would, and prints what became
// of it. It is an aid of the test tree and no part of the product; it sends to
// loopback alone and ends by itself.
//
//	go run ./conformance/load --senders 1,8,64 --for 60s
//
// Each sender sends distinct invented records of its own patients, one after
// another, and waits for the answer that promises the record is stored: the
// response on HTTP, the message on the answers stream on NATS. A 503 is sent
// again after its Retry-After and counted. Latencies run from the first sending
// of a record to its promise, so that waiting counts. Resident memory and open
// files of the bridge are read from /proc, so the command runs on Linux.
//
//	go run ./conformance/load --starts 20 --cases 10000
//
// fills a store with cases, a surgery each, and then times starts on it, from
// exec to the first time that the bridge says it is ready.
package main
