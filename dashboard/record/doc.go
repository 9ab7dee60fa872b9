// Package record writes what is kept of a job: in what conditions every coat cured, how far that is known, and what was done about it.
// It turns a Job, which the caller gathers from the job book alone, into one HTML file without scripts and into CSV. It reads no clock, so
// that the same facts give the same bytes for as long as the version of the laws is the same.
//
// It says within and outside, with hours and minutes. It never says approved, passed or failed: that is for people with a licence to.
package record
