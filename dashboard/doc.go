// Package dashboard has the page that a builder opens on her phone, the HTTP interface under /api/v1, and the live events, as one
// http.Handler over two small interfaces that it declares itself (Source and Commands). It shows and forwards: it computes no physics,
// keeps no facts, and knows no database.
package dashboard
