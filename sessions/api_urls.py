from django.urls import URLPattern, path

from sessions import api, api_lessons, api_urls_court, api_urls_films, api_urls_listening

urlpatterns: list[URLPattern] = [
    path("matches/", api.MatchList.as_view(), name="match_list"),
    path("matches/<uuid:uuid>/", api.MatchDetail.as_view(), name="match"),
    path("analyses/", api.AnalysisList.as_view(), name="analysis_list"),
    path("analyses/<uuid:uuid>/", api.AnalysisDetail.as_view(), name="analysis"),
    path("analyses/<uuid:uuid>/state/", api.StateView.as_view(), name="analysis_state"),
    path("analyses/<uuid:uuid>/ops/", api.OpsView.as_view(), name="analysis_ops"),
    path("analyses/<uuid:uuid>/draw/", api.DrawView.as_view(), name="analysis_draw"),
    path("lessons/", api_lessons.LessonList.as_view(), name="lesson_list"),
    path("lessons/<uuid:uuid>/", api_lessons.LessonDetail.as_view(), name="lesson"),
    path("lessons/<uuid:uuid>/attendance/", api_lessons.AttendanceView.as_view(), name="lesson_attendance"),
    *api_urls_films.urlpatterns,
    *api_urls_court.urlpatterns,
    *api_urls_listening.urlpatterns,
]
