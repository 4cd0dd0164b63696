"""What the app above may want to hear of; each is sent inside the transaction that does it.

A receiver that fails undoes the whole step, so it should only insert a job.
"""

from django.dispatch import Signal

# analysis, old: a version was published; ``old`` is the version that it replaces, or None.
analysis_published = Signal()
# analysis: what it told does not count any more.
analysis_withdrawn = Signal()
