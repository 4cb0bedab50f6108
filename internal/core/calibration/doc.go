// Package calibration puts due dates to the test on virtual plants: it lays out
// years of use of curing stations, asks forecast for the date of each task some
// days before the task truly falls due, and counts how often the interval held the
// true day and how far the date was off. Beside it stand the two rules that plants
// use today: rated hours divided by an average, and a fixed number of days.
//
// It also changes lamps by each of the three and counts the unplanned stops and the
// lamp life thrown away.
//
// The plants are invented: shifts, seasons, orders that come and go, decks that
// stand idle, failures of lamps. All their figures are own computation from typical
// values, Common practice, no source. The same options give the same result.
package calibration
