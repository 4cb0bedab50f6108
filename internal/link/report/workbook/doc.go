// Package workbook writes a savings statement as a workbook whose cells compute
// it again: the rows of the baseline and the days of the reporting period are
// values, everything from there to the saving and its interval is a formula. An
// auditor can follow each figure back to the data, change a value, and see what
// comes of it. Beside each result stands the figure that the program stated, and
// the difference.
//
// The least-squares fit is made by its normal equations on drivers that are centred
// and scaled, because on raw drivers of very different size they lose half of the
// digits. Quantiles of Student's distribution are computed from the beta
// distribution where the degrees of freedom are no whole number, for which
// spreadsheets cut their own function down to the next whole one.
//
// The workbook holds no macro and no link, no instant of its making, and the same
// dossier gives the same bytes.
package workbook
