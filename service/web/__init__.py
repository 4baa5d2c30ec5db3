"""What people and systems see: pages, the JSON API, the FHIR facade, health and metrics.

application.py   build(...): every route on one ASGI application
guard.py         security headers; an error becomes a sentence, never a traceback
door.py          who is looking, asked before every route; what is shown is written down
looking.py       what a handler is given: the person, and the flow and the pages of their sites
sign_in.py       signing in and out, one's own password
people.py        who may look: added, changed, retired
audit.py         who looked and who changed: a day as a page, one infant's beneath it
words.py         what is said, in the language of the person who reads it
language.py      in which language a request is answered
pages.py         the worklist, one infant, what could not be read
view.py          an Entry -> the words of one row (pure)
original.py      what could not be read, laid out with the place of the trouble marked (pure)
entry.py         typing in: a sheet, what would follow from it, and then saving
sheets.py        what each sheet asks (pure)
typed.py         what was typed -> the value of a fact, and back (pure)
weigh.py         what to know before a sheet is filled in, and to weigh before it is saved (pure)
past.py          what was said, done and agreed, in words (pure)
letters.py       the letters to print: for the family, for the clinic (pure)
guidelines.py    /policies: every edition, what differs, what another would change, putting one in use
edition_words.py an edition as the tables it is, and what differs between two (pure)
examples_words.py  a worked example in words (pure)
figures.py       /figures: what was done in time, by month, and as CSV
run_chart.py     a run chart as an inline SVG (pure)
strip.py         the picture in a row: one infant on the postmenstrual-age axis (pure)
api.py           the same facts as JSON
facade.py        the FHIR R4 facade: read and search what is published
search.py        FHIR search parameters, read into what the store can answer (pure)
live.py          /events: says only that a list has changed
health.py        alive, ready, counts for a monitoring system
"""
