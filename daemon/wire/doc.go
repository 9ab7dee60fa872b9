// Package wire gives the job book's entities and commands the form that they have in the HTTP API: what the journal keeps as Unix milliseconds is
// an RFC 3339 time there, under the same name without its "_ms"; a time that is none is null, as is every other unknown; what State works out is
// beside what was entered; lists are never null. It describes each form as a JSON Schema too, by the same walk over the types, so that the
// description cannot differ from what is sent.
package wire
