from django.urls import path

from sessions import urls_court, urls_films, urls_listening
from sessions.views import analyses, desk, films, first_look, lessons, matches, sheet, sheet_keys, situations

urlpatterns = [
    path("desk/", desk.desk, name="desk"),
    path("desk/request/", desk.request_analysis, name="request_analysis"),
    path("queue/", desk.queue, name="queue"),
    path("matches/", matches.match_list, name="match_list"),
    path("matches/new/", matches.match_new, name="match_new"),
    path("matches/<uuid:match>/", matches.match, name="match"),
    path("matches/<uuid:match>/films/", films.film_upload, name="film_upload"),
    path("films/<uuid:film>/bytes/", films.film_bytes, name="film_bytes"),
    path("situations/<int:situation>/still/", films.still, name="still"),
    path("situations/<int:situation>/", situations.situation, name="situation"),
    path("situations/<int:situation>/clip/", situations.clip, name="clip"),
    path("analyses/<uuid:analysis>/", analyses.analysis, name="analysis"),
    path("analyses/<uuid:analysis>/sheet/", sheet.sheet, name="sheet"),
    path("analyses/<uuid:analysis>/first-look/", first_look.first_look, name="first_look"),
    path("sheet-keys/", sheet_keys.sheet_keys, name="sheet_keys"),
    path("analyses/<uuid:analysis>/assign/", analyses.analysis_assign, name="analysis_assign"),
    path("analyses/<uuid:analysis>/submit/", analyses.analysis_submit, name="analysis_submit"),
    path("analyses/<uuid:analysis>/return/", analyses.analysis_return, name="analysis_return"),
    path("analyses/<uuid:analysis>/publish/", analyses.analysis_publish, name="analysis_publish"),
    path("analyses/<uuid:analysis>/words/", analyses.analysis_words, name="analysis_words"),
    path("analyses/<uuid:analysis>/version/", analyses.analysis_version, name="analysis_version"),
    path("analyses/<uuid:analysis>/withdraw/", analyses.analysis_withdraw, name="analysis_withdraw"),
    path("analyses/<uuid:analysis>/cancel/", analyses.analysis_cancel, name="analysis_cancel"),
    path("lessons/", lessons.lessons, name="lessons"),
    path("lessons/new/", lessons.lesson_new, name="lesson_new"),
    path("lessons/<uuid:lesson>/", lessons.lesson, name="lesson"),
    path("lessons/<uuid:lesson>/attendance/", lessons.lesson_attendance, name="lesson_attendance"),
    path("lessons/<uuid:lesson>/cancel/", lessons.lesson_cancel, name="lesson_cancel"),
    *urls_films.urlpatterns,
    *urls_court.urlpatterns,
    *urls_listening.urlpatterns,
]
