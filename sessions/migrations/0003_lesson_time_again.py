from django.db import migrations, models
from django.db.models import Q


class Migration(migrations.Migration):
    dependencies = [("training", "0002_homes")]

    operations = [
        migrations.RemoveConstraint(model_name="lesson", name="lesson_once_at_a_time"),
        migrations.AddConstraint(
            model_name="lesson",
            constraint=models.UniqueConstraint(
                condition=~Q(state="cancelled"),
                fields=("squad", "starts_at"),
                name="lesson_once_at_a_time",
                violation_error_message="This squad has a lesson at that time already.",
            ),
        ),
    ]
