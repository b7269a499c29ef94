// Package alert says what calls for attention, and tells people of it once.
//
// [Judge] looks at the ledger with the rules of an archive and returns a
// [Finding] for each rule and subject that is broken now. [Keeper] compares
// them with the alerts that the ledger remembers, so that an alert is raised
// once, repeated at set intervals while it holds, and cleared when all is well
// again. [Deliver] posts the same to a webhook, and [WriteMetrics] writes the
// state of the archive for programs that collect such figures.
//
// # Events
//
// Each event is one line of the log. Names and fields are stable.
//
//	event           level  when                                      fields
//	alert-raised    warn   a rule is broken that was not             rule, subject, message, since, first
//	alert-repeated  warn   it still is, after the set interval       rule, subject, message, since, first
//	alert-cleared   info   it is not any more                        rule, subject, message, since, first
//	webhook-sent    debug  a post was accepted                       webhook, post, status
//	webhook-failed  error  a post was not accepted; it stays queued  webhook, post, status, error, waiting
//
// rule is the rule's name in the configuration; subject, what broke it, in one
// of the forms below; message, for people, what is wrong, by how much and what
// to look at (of alert-cleared: what was wrong); since, the time since when it
// is so, as far as data tell (a time of exposure, of arrival or of a run),
// else that of first; first, when it was first found. webhook is scheme and
// host of the address; post, the number of the post in the ledger; status, the
// HTTP status, 0 without an answer; waiting, the posts that are left.
//
//	rule                subject
//	threshold, control  instrument=I detector=D mode=M band=B kind=K (what is empty is left out)
//	failures            archive
//	silence             instrument=I
//	space               folder=F
//	master-age          master=K instrument=I detector=D mode=M band=B
//	any                 rule, where the rule as a whole could not be judged
//
// A value with blanks, quotes or signs that do not print is written as a Go
// string in double quotes.
//
// # What is promised
//
// People are told before the ledger notes that they were, so a process that is
// killed in between tells an event twice and never not at all. A webhook's
// receiver must expect the same. Clocks may be set back: times that lie ahead
// never break a rule, and a reminder that seems to have been given more than
// one interval ahead of now is given again.
package alert
