"""Sentences of work orders and their close-outs.

Gathered by ``python -m tests.shared.sentences_said``.
"""

from typing import Final

from django.utils.translation import gettext_noop

SENTENCES: Final = (
    gettext_noop("Nothing you entered is lost: it stays on the phone until it is sent."),
    gettext_noop("%(serial)s has no position %(position_code)s."),
    gettext_noop("Choose one of: %(list)s."),
    gettext_noop("The catalogue has no part %(kind_code)s."),
    gettext_noop("Choose a part from the list, or have the planner add it to the catalogue."),
    gettext_noop(
        "The part in %(code)s of %(serial)s has been changed by somebody else since your day "
        "was loaded."),
    gettext_noop(
        "Compare with what you find there and talk to the planner, who can correct it. "
        "%(KEEP)s"),
    gettext_noop("It is not said why the part in %(code)s came out."),
    gettext_noop("There is no part in %(code)s and none went in."),
    gettext_noop("Leave this position out."),
    gettext_noop("%(outcome)s is no outcome."),
    gettext_noop("The time of finishing has no time zone."),
    gettext_noop("Send it with its zone."),
    gettext_noop("The work is said to be finished on %(finished_at)s, which is yet to come."),
    gettext_noop("Check the phone's clock."),
    gettext_noop("%(minutes)s minutes can't be the time on site."),
    gettext_noop("Give 0 to 1440."),
    gettext_noop("One position is named twice."),
    gettext_noop("Write each position once."),
    gettext_noop("%(order)s has been withdrawn: %(withdrawn_because)s."),
    gettext_noop("If the work is done, have the planner reopen %(order)s, then send again. %(KEEP)s"),
    gettext_noop(" by %(technician)s on %(finished_at)s"),
    gettext_noop("%(order)s has been closed already%(by_whom)s."),
    gettext_noop("If yours is right, have the planner undo the other one, then send again. %(KEEP)s"),
    gettext_noop("It is not said why the work could not be done."),
    gettext_noop("Write a few words."),
    gettext_noop("Parts or flushes are recorded for work that could not be done."),
    gettext_noop("Choose “done”, or take the parts and flushes out of the report."),
    gettext_noop("%(order)s asks for a new part in %(code)s, and none is reported."),
    gettext_noop("Enter the new part, or choose “could not be done” and say why."),
    gettext_noop("%(order)s asks for a flush, and none is recorded."),
    gettext_noop("Enter gallons, minutes and whether it ran clear."),
    gettext_noop("%(order)s asks for a reading, and none is recorded."),
    gettext_noop("Enter what the register shows, or write why it can't be read."),
    gettext_noop("Nothing was changed that could stand overnight."),
    gettext_noop("Choose “done” or “could not be done”."),
    gettext_noop("%(flushes)s flushes at one visit can't be."),
    gettext_noop("Check the list."),
    gettext_noop("%(kind)s is no kind of flush."),
    gettext_noop("A flush of %(volume_gal)s gal in %(minutes)s min can't be."),
    gettext_noop("Check gallons and minutes."),
    gettext_noop("%(serial)s has no meter."),
    gettext_noop("Leave the total out and write it in the note; the planner can add the meter."),
    gettext_noop("close-out undone"),
    gettext_noop("The close-out can't be undone without a reason."),
    gettext_noop("Say why."),
    gettext_noop("This close-out is undone already."),
    gettext_noop("Nothing is left to do."),
    gettext_noop("This close-out came in on %(received_at)s; only the same day's can be undone."),
    gettext_noop("Raise a one-off order that puts right what is wrong."),
    gettext_noop("%(twin)s stands for the same cause and is on a route."),
    gettext_noop("Close %(twin)s instead, or withdraw it first."),
    gettext_noop("%(follow_up)s, which followed this close-out, is done."),
    gettext_noop("Undo that close-out first."),
    gettext_noop("the close-out it followed was undone"),
    gettext_noop("%(kind)s %(volume_gal)s gal %(minutes)s min, %(ran_clear)s"),
    gettext_noop("not clear"),
    gettext_noop("Flushes taken back: %(told)s."),
    gettext_noop("%(order)s was reopened"),
    gettext_noop(
        "A close-out of %(order)s with the same number but other content was received on "
        "%(received_at)s UTC."),
    gettext_noop(
        "What was received first stands. Have the planner undo it, then send yours as a new "
        "one."),
    gettext_noop("Load the day again and choose the order there."),
    gettext_noop("Log in again."),
    gettext_noop("the order was locked"),
    gettext_noop("by %(technician)s"),
    gettext_noop("closed out"),
    gettext_noop("%(outcome)s, %(by_whom)s."),
    gettext_noop("hazard control skipped"),
    gettext_noop("%(text)s Because: %(because)s"),
    gettext_noop("stock short"),
    gettext_noop("followed"),
    gettext_noop("Second flush: %(follow_up)s."),
    gettext_noop("Could not be done: %(note)s"),
    gettext_noop("could not be done"),
    gettext_noop("taken off its route"),
    gettext_noop("withdrawn"),
    gettext_noop("the finding is gone"),
    gettext_noop("the site is closed"),
    gettext_noop("the plan has ended"),
    gettext_noop(
        "%(why)s Strength and window were %(was)s; now %(strength)s, "
        "%(window_from)s–%(window_to)s."),
    gettext_noop("brought up to its finding"),
    gettext_noop(
        "Plan %(code)s promises visits, but %(name)s has no treatment unit in service. Add "
        "one or end the plan."),
    gettext_noop("This is no readable photo."),
    gettext_noop("Send a JPEG, PNG or WebP; take the photo again."),
    gettext_noop("The photo is larger than %(MOST_BYTES)s MB."),
    gettext_noop("Take it again at a lower resolution."),
    gettext_noop("The photo has more than %(MOST_PIXELS)s megapixels."),
    gettext_noop("Clear the box and have it signed again, or write the name only."),
)  # fmt: skip
