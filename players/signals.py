"""What the apps above may want to hear of; each is sent inside the transaction that does it."""

from django.dispatch import Signal

# player, by, now: a film with this player must not be shown from here on. An error in a receiver keeps the consent.
consent_withdrawn = Signal()
# invitation, user, now
invitation_accepted = Signal()
