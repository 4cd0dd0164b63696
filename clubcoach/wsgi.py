import os

from django.conf import settings
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clubcoach.settings")

application = get_wsgi_application()

if settings.EMBEDDED_JOBS:
    from clubcoach import embedded

    embedded.start()
