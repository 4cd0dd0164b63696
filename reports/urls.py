from django.urls import path

from reports.views import library, programme, start, student, today, unit

urlpatterns = [
    path("padel/", student.my_padel, name="my_padel"),
    path("padel/<uuid:player>/", student.student_page, name="student_page"),
    path("padel/<uuid:player>/focus/", student.focus_set, name="focus_set"),
    path("padel/<uuid:player>/focus/<int:point>/drop/", student.focus_drop, name="focus_drop"),
    path("padel/<uuid:player>/focus/<int:point>/reword/", student.focus_reword, name="focus_reword"),
    path("padel/<uuid:player>/homework/", student.homework_give, name="homework_give"),
    path("homework/<uuid:homework>/log/", student.homework_log, name="homework_log"),
    path("homework/<uuid:homework>/withdraw/", student.homework_withdraw, name="homework_withdraw"),
    path("units/<int:unit>/", unit.unit, name="unit"),
    path("units/<int:unit>/notes/", unit.note_write, name="note_write"),
    path("notes/<int:note>/withdraw/", unit.note_withdraw, name="note_withdraw"),
    path("today/", today.today, name="today"),
    path("start/", start.start, name="start"),
    path("programme/", programme.programme, name="programme"),
    path("drills/<slug:drill>/", library.drill, name="drill"),
    path("drills/<slug:drill>/retire/", library.drill_retire, name="drill_retire"),
    path("drills/<slug:drill>/restore/", library.drill_restore, name="drill_restore"),
]
