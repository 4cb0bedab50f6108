// Package meterlink reads power meters over Modbus: TCP, a serial line (RTU) or
// RTU frames through a TCP gateway. It turns a meter's profile into a short
// list of read requests, decodes the answers from 16-bit words to whole
// milliwatt-hours and float signals, and hands them back as facts.
//
// It only reads. Function codes 3 and 4 are the only ones it can send, and a
// test holds that no write function of the Modbus library is named anywhere in
// the program.
//
// RTU frames carry no transaction number, so an answer that comes after its
// time-out can be taken for the answer to the next request. Every error that is
// not an exception of the meter therefore closes the link. On RTU framing the
// line is then left alone for the bus's quiet time, opened again (which throws
// away what came in meanwhile) and, where the register map allows it, tested
// with a request of a length that no other request has. Anchors, registers of
// known content read with the values, catch the rest. What remains is a meter
// whose map has neither anchors nor a request with two values: there the quiet
// time alone protects.
package meterlink
