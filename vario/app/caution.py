"""The cautions of the commands, and of the pages that show a flight."""

CAUTION = (
    "Not certified and not a primary instrument. Look out; the flight manual and local rules come first."
)

REPORT_CAUTION = (
    "Replayed from a recording. Not certified, and no substitute for certified instruments: do not judge "
    "clearance, final glide or airworthiness by this page."
)
