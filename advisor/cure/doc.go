// Package cure says how mixed epoxy cures: a rate law with vitrification solved along any film temperature, the marks of a thin coat on that
// course, and the self-heating of a mass in its pot. A System is what a resin's file states; New makes its Model; a Model is solved along a
// trace to a Course. Making a Model costs about a millisecond, a Course of two days about a tenth of one: keep the Model.
package cure
