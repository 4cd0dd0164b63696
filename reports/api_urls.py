from django.urls import path

from reports import api

urlpatterns = [
    path("scores/", api.ScoreList.as_view(), name="score-list"),
    path("focus/", api.FocusList.as_view(), name="focus-list"),
    path("homework/", api.HomeworkList.as_view(), name="homework-list"),
    path("homework/<uuid:homework>/logs/", api.HomeworkLogNew.as_view(), name="homework-log"),
]
