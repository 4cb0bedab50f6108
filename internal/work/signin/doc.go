// Package signin is the door of everything that is served: it finds out who asks,
// by a session of the browser or by a token, and puts the person into the context
// of the request, where package access reads it. Who is not known gets the page to
// sign in, or 401 where a program asks.
//
// As long as nobody is on record, pages that listen on this machine only are open:
// whoever asks is access.Anyone. From the first person on everybody is asked, and a
// door that is to stand towards a network always asks.
//
// A session's name is 256 random bits in a cookie that no script can read; only its
// digest is stored. Posts of other sites do not come this far: package web refuses
// them. Attempts to sign in are limited by address and by name, wrong names and
// wrong passwords are told apart neither by words nor by time, and each attempt is
// in the audit log.
package signin
