from django.urls import path

from players.views import consent, drills, groups, invitations, levels, people, settings

urlpatterns = [
    path("people/", people.roster, name="roster"),
    path("people/new/", people.player_new, name="player_new"),
    path("people/invite/", invitations.invite, name="invite"),
    path("people/pairs/", groups.pairs, name="pairs"),
    path("people/squads/", groups.squads, name="squads"),
    path("people/squads/new/", groups.squad_new, name="squad_new"),
    path("people/squads/<int:squad>/", groups.squad, name="squad"),
    path("people/squads/<int:squad>/retire/", groups.squad_retire, name="squad_retire"),
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
    path("drills/", drills.drills, name="drills"),
    path("drills/new/", drills.drill_new, name="drill_new"),
    path("drills/standard/", drills.drills_standard, name="drills_standard"),
    path("drills/<slug:drill>/edit/", drills.drill_edit, name="drill_edit"),
    path("drills/<slug:drill>/copy/", drills.drill_copy, name="drill_copy"),
    path("levels/", levels.levels, name="levels"),
    path("levels/new/", levels.level_new, name="level_new"),
    path("levels/<int:level>/", levels.level, name="level"),
    path("levels/<int:level>/move/", levels.level_move, name="level_move"),
    path("levels/<int:level>/remove/", levels.level_remove, name="level_remove"),
    path("settings/", settings.club_settings, name="club_settings"),
    path("settings/checks/", settings.check_list, name="check_list"),
    path("padel/<uuid:player>/consent/", consent.consent, name="consent"),
]
