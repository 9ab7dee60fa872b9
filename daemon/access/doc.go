// Package access tells who asks for the page: the board itself, a paired phone, or anyone on the network; and it keeps the paired phones.
//
// A phone is paired by a code that the board shows: made on demand, good once, for a few minutes, and forgotten at a restart. What the phone
// gets for it is a random token of 256 bits in a cookie. Only the SHA-256 of a token is kept, in phones.json (mode 0600) beside the databases.
// It is not in the job book, whose journal is read by everyone who may read and never forgets; and it is in no backup, so that bringing an old
// one back lets no revoked phone in.
//
// The board itself is known by its loopback address, unless something in the request shows that a proxy passed it on, or by the key in
// local.key (mode 0600), which also works where loopback is not trusted.
package access
