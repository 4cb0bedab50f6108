// Package contract says in tests what a store and a spool promise. The same suites
// run on the stand-ins in memory of package model, which the simulation trusts, and on
// the real ones: what the simulation proves then holds for what runs in a plant.
//
// A suite knows an implementation by an interface and a way to open a fresh one. It
// tests promises only, no errors' words and no ids. SameAsModel goes further: it
// does the same random acts on an implementation and on the model and compares all
// that can be read.
package contract
