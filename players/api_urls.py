from django.urls import path

from players import api, api_groups

urlpatterns = [
    path("players/", api.PlayerList.as_view(), name="player-list"),
    path("players/<uuid:player>/", api.PlayerDetail.as_view(), name="player-detail"),
    path("squads/", api_groups.SquadList.as_view(), name="squad-list"),
    path("squads/<int:squad>/", api_groups.SquadDetail.as_view(), name="squad-detail"),
    path("levels/", api.LevelList.as_view(), name="level-list"),
    path("check-list/", api.CheckListNow.as_view(), name="check-list"),
    path("drills/", api.DrillList.as_view(), name="drill-list"),
    path("drills/<slug:drill>/", api.DrillDetail.as_view(), name="drill-detail"),
]
