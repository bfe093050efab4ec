import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('onsite', '0001_report')]

    initial = True

    dependencies = [
        ('events', '0001_tables'),
        ('registry', '0001_tables'),
    ]

    operations = [
        migrations.CreateModel(
            name='Report',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('trouble', models.CharField(choices=[('interference', "noise, dropouts or somebody else's programme"), ('no signal', 'nothing arrives'), ('unplanned emission', 'something is on the air that nobody planned'), ('other', 'something else')], max_length=20)),
                ('frequency_hz', models.PositiveBigIntegerField(blank=True, help_text='where it was heard; of a carrier, what it was published on then', null=True)),
                ('words', models.TextField()),
                ('state', models.CharField(choices=[('open', 'open'), ('answered', 'answered')], default='open', max_length=12)),
                ('answer', models.TextField(blank=True)),
                ('filed_by', models.CharField(max_length=254)),
                ('filed_name', models.CharField(max_length=200)),
                ('filed_at', models.DateTimeField(auto_now_add=True)),
                ('answered_name', models.CharField(blank=True, max_length=200)),
                ('answered_at', models.DateTimeField(blank=True, null=True)),
                ('version', models.PositiveIntegerField(default=1)),
                ('carrier', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='reports', to='registry.carrier')),
                ('department', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='reports', to='events.department')),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='reports', to='events.event')),
                ('zone', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='reports', to='events.zone')),
            ],
            options={
                'ordering': ['event', '-number'],
                'constraints': [models.UniqueConstraint(fields=('event', 'number'), name='onsite_report_number_once_per_event'), models.CheckConstraint(condition=models.Q(('state', 'open'), models.Q(('answer', ''), _negated=True), _connector='OR'), name='onsite_answered_with_words')],
            },
        ),
    ]
