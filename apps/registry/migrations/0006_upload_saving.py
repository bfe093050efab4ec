
from django.db import migrations, models


def mark_saved(apps, schema_editor):
    """Lists that were saved before there were states."""
    apps.get_model("registry", "Upload").objects.exclude(saved_at=None).update(state="saved")


class Migration(migrations.Migration):

    dependencies = [
        ('events', '0001_initial'),
        ('registry', '0005_calendars'),
    ]

    operations = [
        migrations.AddField(
            model_name='upload',
            name='attempt',
            field=models.PositiveIntegerField(default=0),
        ),
        migrations.AddField(
            model_name='upload',
            name='good_only',
            field=models.BooleanField(default=False),
        ),
        migrations.AddField(
            model_name='upload',
            name='lease_until',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='upload',
            name='left_out',
            field=models.JSONField(default=list),
        ),
        migrations.AddField(
            model_name='upload',
            name='read',
            field=models.BinaryField(null=True),
        ),
        migrations.AddField(
            model_name='upload',
            name='refusal',
            field=models.TextField(blank=True),
        ),
        migrations.AddField(
            model_name='upload',
            name='rung_at',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='upload',
            name='seen',
            field=models.CharField(blank=True, max_length=16),
        ),
        migrations.AddField(
            model_name='upload',
            name='share',
            field=models.FloatField(default=0),
        ),
        migrations.AddField(
            model_name='upload',
            name='stage',
            field=models.CharField(blank=True, max_length=60),
        ),
        migrations.AddField(
            model_name='upload',
            name='state',
            field=models.CharField(choices=[('kept', 'judged, nothing saved'), ('queued', 'waiting for a worker'), ('saving', 'being saved'), ('saved', 'saved')], default='kept', max_length=8),
        ),
        migrations.AddIndex(
            model_name='upload',
            index=models.Index(fields=['state'], name='registry_upload_state'),
        ),
        migrations.RunPython(mark_saved, migrations.RunPython.noop),
    ]
