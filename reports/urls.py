from django.urls import path

from reports.exchange.people_lists import FORMS, LISTS
from reports.views import (
    data,
    data_lists,
    data_out,
    library,
    programme,
    roster_in,
    start,
    student,
    today,
    unit,
)

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
    path("data/", data.data, name="data"),
    path("data/in/", data.data_in, name="data_in"),
    path("data/in/<uuid:batch>/", data.batch, name="batch"),
    path("data/in/<uuid:batch>/write/", data.batch_write, name="batch_write"),
    path("data/in/<uuid:batch>/drop/", data.batch_drop, name="batch_drop"),
    path("data/in/<uuid:batch>/problems/", data.batch_problems, name="batch_problems"),
    path("data/workbook/", data.data_workbook, name="data_workbook"),
    path("data/out/", data_out.data_out, name="data_out"),
    path("data/out/<uuid:parcel>/", data_out.parcel, name="parcel"),
    *(
        path(
            f"data/lists/{what}.{form}", data_lists.data_list, {"what": what, "form": form}, name="data_list"
        )
        for what in LISTS
        for form in FORMS
    ),
    path("people/bring/", roster_in.roster_in, name="roster_in"),
    path("drills/<slug:drill>/", library.drill, name="drill"),
    path("drills/<slug:drill>/retire/", library.drill_retire, name="drill_retire"),
    path("drills/<slug:drill>/restore/", library.drill_restore, name="drill_restore"),
]
