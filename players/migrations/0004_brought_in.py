from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('players', '0003_drill_writer'),
    ]

    operations = [
        migrations.AddField(
            model_name='player',
            name='birthday_known',
            field=models.BooleanField(default=True),
        ),
        migrations.AddField(
            model_name='player',
            name='email',
            field=models.EmailField(blank=True, max_length=254, verbose_name='e-mail'),
        ),
        migrations.AddField(
            model_name='checklistversion',
            name='past',
            field=models.BooleanField(default=False),
        ),
    ]
