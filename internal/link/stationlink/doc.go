// Package stationlink receives the status messages of curing stations and the
// counters of presses by MQTT 3.1.1 and turns them into facts.
//
// A Mapper turns one message into facts by the mapping of its topic; it is pure.
// A Link keeps the connection: one client instance per connection, a persistent
// session under a stable client id, and a subscription that is made anew each
// time, because the client library neither resubscribes nor says whether the
// broker still had the session. Nothing is ever published.
//
// A message is acknowledged when the receiver calls Ack, so after the facts are
// durable. Until then the broker sends it again at the next connection, and the
// keys of the facts (station, boot and sequence; register and instant) let a
// repeated or retained message change nothing twice. What cannot be taken
// becomes a Refusal, which is a fact too and is acknowledged like all others; a
// message that nobody acknowledges would block the broker's window for good. For
// the same reason messages of topics without a mapping, left over from old
// subscriptions in the session, are acknowledged and counted.
package stationlink
