// Package offline has the commands that analyse files and need no database: each
// reads tables with a header, columns by name, and prints a result for people or,
// with --json, for programs. Each command is a struct whose fields are its flags,
// in a file of its own.
//
// A file with a problem gives no result: all problems are listed with file, line
// and column, and the command fails. The names in JSON are a contract; numbers
// stand there in full precision, and a figure that does not exist is null.
package offline
