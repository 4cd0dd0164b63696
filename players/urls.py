from django.urls import path

from players.views import consent, invitations, people

urlpatterns = [
    path("people/", people.roster, name="roster"),
    path("people/new/", people.player_new, name="player_new"),
    path("people/invite/", invitations.invite, name="invite"),
    path("people/<uuid:player>/", people.player, name="player"),
    path("people/<uuid:player>/edit/", people.player_edit, name="player_edit"),
    path("people/<uuid:player>/level/", people.player_level, name="player_level"),
    path("people/<uuid:player>/goal/", people.goal_set, name="goal_set"),
    path("people/<uuid:player>/consent/", consent.consent_paper, name="consent_paper"),
    path("people/<uuid:player>/guardians/", invitations.guardian_add, name="guardian_add"),
    path(
        "people/<uuid:player>/guardians/<int:guardian>/remove/",
        people.guardian_remove,
        name="guardian_remove",
    ),
    path("padel/<uuid:player>/consent/", consent.consent, name="consent"),
]
