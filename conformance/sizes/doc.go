// Command sizes makes stores of so many care plans and measures on each what hubs
// ask, what a save takes, how long a start takes and what a case takes on disk. It
// is an aid of the test tree and no part of the product; it runs on one machine and
// ends by itself.
//
//	go run ./conformance/sizes --plans 1000,100000 --store /path/of/a/folder
//
// Each size has a folder of its own there, which is left: a fill that was cut off
// goes on, and a store made before is measured again. A million plans take about
// 14 GB.
//
// Each plan stands with its patient and the procedure of its sitting, out of the
// fold of an invented case. The cases are folded once each and then repeated with
// other ids and numbers; every resource passes the check and gets its index rows as
// in an intake, and the store writes it. What else the three refer to is not
// stored. Ids rise with the number of the case, so that the fill writes its pages
// one after another; those of the saves that follow fall anywhere between.
//
// Requests are answered by the hub's handler, without TCP. Beside each, in turn, the
// statements that gave its resources run alone: prepared once, with the same
// values, every column read and as many bytes copied as the answer has. Other work
// on the machine slows both, so that the ratio of the two is worth more than either;
// so is that of one size to the least, which are asked in turn too.
package main
