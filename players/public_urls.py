from django.urls import path

from players.views.invitations import invitation

urlpatterns = [path("<str:secret>/", invitation, name="invitation")]
