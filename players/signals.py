"""What the apps above may want to hear of; each is sent inside the transaction that does it."""

from django.dispatch import Signal

# player, by, now: a film with this player must not be shown from here on. An error in a receiver keeps the consent.
consent_withdrawn = Signal()
# invitation, user, now
invitation_accepted = Signal()
# squad, by, now: other players are in it than before, or the first ones.
squad_changed = Signal()
# squad, by, now, call_off: it is about to be retired. A receiver that has something planned for it refuses, unless
# ``call_off`` says that this is over too.
squad_retiring = Signal()
