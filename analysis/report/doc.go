// Package report renders one self-contained HTML file from plain numbers: the
// finding first, then the table per injector, the pictures, the uncertainty
// budget, what was doubted or left out, and how it was all computed.
//
// It is the last room of a sample's life. It computes no rate and makes no
// decision: whoever calls Render fills a Report with results and the report
// shows them, each number with the digits its uncertainty allows (FormatWithU).
// The file needs no script, no network and no other file; its charts are inline
// SVG, and its style sheet has rules for paper, so that the browser's own print
// gives the PDF on A4 or Letter.
//
// The same Report gives the same bytes: the time is MadeAt, the decimal sign is
// a dot, dates are written out in the zone they carry.
//
// Missing numbers are NaN (or a nil pointer, an empty slice, a zero time) and are
// shown as a dash, never as zero.
//
//	err := report.Render(w, report.Report{
//		Title:    "Return flow of tractor 7",
//		Headline: []string{"Injector 4 stands apart (high).", "Check its return first."},
//		Rates:    rows,
//		MadeAt:   time.Now(),
//	})
package report
