from django.urls import path

from reports import api

urlpatterns = [
    path("scores/", api.ScoreList.as_view(), name="score_list"),
    path("severity/", api.SeverityList.as_view(), name="severity_list"),
    path("focus/", api.FocusList.as_view(), name="focus_list"),
    path("homework/", api.HomeworkList.as_view(), name="homework_list"),
    path("homework/<uuid:homework>/logs/", api.HomeworkLogs.as_view(), name="homework_logs"),
]
