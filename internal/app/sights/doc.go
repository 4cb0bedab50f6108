// Package sights gives the pages what they show: from the newest overview, outlook and
// book of lamps, and from the store. It is to package pages what faces is to the HTTP
// interface, and asks the same sources, so that a page and the interface cannot differ.
//
// It decides nothing and words nothing. What it adds are pictures, drawn with the texts
// of the reader's language, because drawing belongs to links and pages are made of core
// alone.
//
// What costs seconds (energy by use, the plots of a report) is made once for what it is
// made of and kept until that changes. All methods are safe for concurrent use.
package sights
