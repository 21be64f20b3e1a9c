// Command batch measures the conversion of old records: it writes an export of invented
// surgeries and their reviews, two rows to three, converts it with the built bridge, and prints a table. It is an aid of the test
// tree and no part of the product; it needs taskset (util-linux) and runs from the root of
// the repository.
//
//	go run ./conformance/batch --dir /path/of/a/folder --rows 100000,1000000 --parallel 50000 --back 50000 --kill 20000
//
// Times are CPU of the process beside the clock: other work on the machine makes the clock
// worthless, and with it what is told of parallel runs. Peak memory is VmHWM (proc(5)),
// read all along. A million rows give 3 GB of packed resources and a working file of 5 GB,
// which is the most that is there at one time.
//
// Of each size of --rows one run on the first two cores says what a row takes, and whether
// memory is flat. --parallel is the same export on one core and on two, both under taskset:
// parallel efficiency is the clock of one, over twice that of two. Fold and check alone go
// over the records that a run made, in this process on one core, so that the ratio of the
// two is what reading, the working file, packing and writing add. The way back is
// to-records over a whole export, whose working files are 50 KB a row. --kill kills a conversion by SIGKILL at random points of its time, lets the same
// command go on, and compares every file but the working one with an unbroken run's;
// --chain kills one and the same run again and again instead.
package main
