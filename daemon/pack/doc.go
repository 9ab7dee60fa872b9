// Package pack puts everything that is kept of a job into one archive, and opens such an archive read-only: to see that it is whole, to write its record
// anew, and to work the cure of each coat out again from what was frozen.
//
// A pack is a ZIP file (PKWARE APPNOTE 6.3) that any program can take apart, with plain names in it: the record in all its forms with their seals, the
// facts behind it (facts.json), the frozen conditions of each coat, the systems, the photos whole, and the journal. Of journal rows that are of other
// jobs only the hashes are in it: the chain can be followed, and what others said stays with them. A manifest names each file with its SHA-256, and
// the shed's seal is over the manifest.
//
// What is worked out again is what follows from the frozen trace alone: the course of the cure, the marks along it, the pore gas of bare timber and for
// how long each limit was kept. The shed's own advice also rested on weeks of readings and on the forecast of its day; it is kept as it was given.
package pack
