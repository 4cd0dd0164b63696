from django.db import migrations
from django.db.models import F


def name_the_bytes(apps, schema_editor):
    """Films of before are served as they came."""
    films = apps.get_model("training", "Film").objects.filter(state="ready", served="")
    films.update(served=F("digest"))


class Migration(migrations.Migration):
    dependencies = [("training", "0005_films")]
    operations = [migrations.RunPython(name_the_bytes, migrations.RunPython.noop)]
