from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('journal', '0001_initial')]

    initial = True

    dependencies = [
    ]

    operations = [
        migrations.CreateModel(
            name='Chain',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('event', models.CharField(max_length=64, unique=True)),
                ('number', models.PositiveBigIntegerField(default=0)),
                ('digest', models.CharField(default='', max_length=64)),
            ],
        ),
        migrations.CreateModel(
            name='Entry',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('event', models.CharField(max_length=64)),
                ('number', models.PositiveBigIntegerField()),
                ('at', models.DateTimeField()),
                ('actor_email', models.CharField(max_length=254)),
                ('actor_name', models.CharField(max_length=200)),
                ('department', models.CharField(blank=True, max_length=16)),
                ('verb', models.CharField(max_length=64)),
                ('subject', models.CharField(max_length=200)),
                ('changes', models.JSONField(default=dict)),
                ('reason', models.TextField(blank=True)),
                ('digest', models.CharField(max_length=64)),
            ],
            options={
                'ordering': ['event', 'number'],
                'indexes': [models.Index(fields=['event', 'department', 'number'], name='journal_ent_event_af0146_idx')],
                'constraints': [models.UniqueConstraint(fields=('event', 'number'), name='journal_number_once_per_event')],
            },
        ),
    ]
