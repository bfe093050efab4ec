import django.core.validators
import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('spectrum', '0001_initial'), ('spectrum', '0002_surveys_and_television_channels'), ('spectrum', '0003_known_losses'), ('spectrum', '0004_permissions_and_band_plan'), ('spectrum', '0005_survey_without_resolution'), ('spectrum', '0006_taken_somewhere_sometimes')]

    initial = True

    dependencies = [
        ('events', '0001_tables'),
    ]

    operations = [
        migrations.CreateModel(
            name='Occupied',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('label', models.CharField(max_length=100)),
                ('low_hz', models.PositiveBigIntegerField()),
                ('high_hz', models.PositiveBigIntegerField()),
                ('zones', models.JSONField(blank=True, default=list)),
                ('starts_at', models.DateTimeField(blank=True, null=True)),
                ('ends_at', models.DateTimeField(blank=True, null=True)),
                ('source', models.CharField(blank=True, max_length=200)),
                ('version', models.PositiveIntegerField(default=1)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='occupied', to='events.event')),
            ],
            options={
                'ordering': ['event', 'low_hz', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('event', 'label'), name='spectrum_occupied_label_once_per_event'), models.CheckConstraint(condition=models.Q(('low_hz__lt', models.F('high_hz'))), name='spectrum_occupied_range_in_order'), models.CheckConstraint(condition=models.Q(models.Q(('ends_at', None), ('starts_at', None)), ('starts_at__lt', models.F('ends_at')), _connector='OR'), name='spectrum_occupied_hours')],
            },
        ),
        migrations.CreateModel(
            name='Outsider',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(max_length=32)),
                ('label', models.CharField(max_length=200)),
                ('frequency_hz', models.PositiveBigIntegerField()),
                ('bandwidth_hz', models.PositiveBigIntegerField()),
                ('level_db', models.FloatField(default=0, help_text='against a device of the zone, 0 dB or less')),
                ('source', models.CharField(blank=True, max_length=200)),
                ('sure', models.BooleanField(default=True)),
                ('starts_at', models.DateTimeField(blank=True, null=True)),
                ('ends_at', models.DateTimeField(blank=True, null=True)),
                ('version', models.PositiveIntegerField(default=1)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='outsiders', to='events.event')),
                ('zone', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='outsiders', to='events.zone')),
            ],
            options={
                'ordering': ['event', 'frequency_hz', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('event', 'code'), name='spectrum_outsider_code_once_per_event'), models.CheckConstraint(condition=models.Q(('frequency_hz__gt', 0)), name='spectrum_outsider_frequency_positive'), models.CheckConstraint(condition=models.Q(('level_db__lte', 0)), name='spectrum_outsider_level_not_above_zero'), models.CheckConstraint(condition=models.Q(models.Q(('ends_at', None), ('starts_at', None)), ('starts_at__lt', models.F('ends_at')), _connector='OR'), name='spectrum_outsider_hours')],
            },
        ),
        migrations.CreateModel(
            name='Permission',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(max_length=16, validators=[django.core.validators.RegexValidator('^[A-Za-z0-9][A-Za-z0-9-]*$', 'Use letters, digits and hyphens, a letter or digit first.')])),
                ('state', models.CharField(choices=[('asked', 'asked'), ('granted', 'granted'), ('refused', 'refused'), ('lapsed', 'lapsed')], default='asked', max_length=16)),
                ('use', models.CharField(blank=True, help_text='what rulesets call it; empty for any', max_length=20)),
                ('low_hz', models.PositiveBigIntegerField()),
                ('high_hz', models.PositiveBigIntegerField()),
                ('width_hz', models.PositiveBigIntegerField()),
                ('power_mw', models.FloatField(help_text='radiated')),
                ('basis', models.CharField(choices=[('erp', 'e.r.p.'), ('eirp', 'e.i.r.p.')], default='eirp', max_length=8)),
                ('antenna_height_m', models.FloatField(blank=True, help_text='of fixed transmitters, at most', null=True)),
                ('zones', models.JSONField(default=list)),
                ('place', models.CharField(blank=True, help_text='in the words of whoever decides', max_length=300)),
                ('starts_at', models.DateTimeField(blank=True, null=True)),
                ('ends_at', models.DateTimeField(blank=True, null=True)),
                ('wanted_for', models.CharField(blank=True, max_length=500)),
                ('authority', models.CharField(blank=True, help_text='who decides', max_length=200)),
                ('reference', models.CharField(blank=True, max_length=200)),
                ('conditions', models.TextField(blank=True)),
                ('until', models.DateTimeField(blank=True, null=True)),
                ('version', models.PositiveIntegerField(default=1)),
                ('asked_at', models.DateTimeField(auto_now_add=True)),
                ('department', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='permissions', to='events.department')),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='permissions', to='events.event')),
            ],
            options={
                'ordering': ['event', 'code'],
                'constraints': [models.UniqueConstraint(fields=('event', 'code'), name='spectrum_permission_code_once_per_event'), models.CheckConstraint(condition=models.Q(('low_hz__lt', models.F('high_hz'))), name='spectrum_permission_range_in_order'), models.CheckConstraint(condition=models.Q(('power_mw__gt', 0), ('width_hz__gt', 0)), name='spectrum_permission_figures_positive'), models.CheckConstraint(condition=models.Q(models.Q(('ends_at', None), ('starts_at', None)), ('starts_at__lt', models.F('ends_at')), _connector='OR'), name='spectrum_permission_hours'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'granted'), _negated=True), models.Q(models.Q(('reference', ''), _negated=True), models.Q(('authority', ''), _negated=True)), _connector='OR'), name='spectrum_permission_granted_by_somebody')],
            },
        ),
        migrations.CreateModel(
            name='PlannedRange',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('label', models.CharField(max_length=100)),
                ('low_hz', models.PositiveBigIntegerField()),
                ('high_hz', models.PositiveBigIntegerField()),
                ('purpose', models.CharField(choices=[('offered', 'offered to'), ('kept from', 'kept from'), ('for late arrivals', 'kept empty for late arrivals')], max_length=20)),
                ('hard', models.BooleanField(default=True)),
                ('departments', models.JSONField(blank=True, default=list)),
                ('kinds', models.JSONField(blank=True, default=list)),
                ('zones', models.JSONField(blank=True, default=list)),
                ('reason', models.CharField(blank=True, max_length=200)),
                ('version', models.PositiveIntegerField(default=1)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='band_plan', to='events.event')),
            ],
            options={
                'ordering': ['event', 'low_hz', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('event', 'label'), name='spectrum_planned_label_once_per_event'), models.CheckConstraint(condition=models.Q(('low_hz__lt', models.F('high_hz'))), name='spectrum_planned_range_in_order')],
            },
        ),
        migrations.CreateModel(
            name='Survey',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('name', models.CharField(max_length=200)),
                ('taken_at', models.DateTimeField()),
                ('antenna', models.CharField(blank=True, max_length=200)),
                ('resolution_hz', models.PositiveBigIntegerField(blank=True, help_text="the sweep's resolution bandwidth; without it nothing is made of the survey", null=True)),
                ('unit_told', models.CharField(blank=True, max_length=4)),
                ('floor_told_dbm', models.FloatField(blank=True, null=True)),
                ('counts', models.BooleanField(default=True, help_text='enters hold, median and the next run')),
                ('own', models.JSONField(default=list)),
                ('own_words', models.CharField(blank=True, max_length=200)),
                ('size', models.PositiveBigIntegerField()),
                ('uploaded_by', models.CharField(max_length=254)),
                ('uploaded_at', models.DateTimeField(auto_now_add=True)),
                ('state', models.CharField(choices=[('waiting', 'waiting'), ('reading', 'being read'), ('read', 'read'), ('faulty', 'faulty')], default='waiting', max_length=12)),
                ('attempt', models.PositiveIntegerField(default=0)),
                ('claimed_by', models.CharField(blank=True, max_length=200)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('rung_at', models.DateTimeField(blank=True, help_text='when a worker was last told of it', null=True)),
                ('share', models.FloatField(default=0, help_text='of the file, 0 to 1')),
                ('points', models.PositiveIntegerField(default=0)),
                ('low_hz', models.PositiveBigIntegerField(blank=True, null=True)),
                ('high_hz', models.PositiveBigIntegerField(blank=True, null=True)),
                ('step_hz', models.PositiveBigIntegerField(blank=True, help_text='of the trace that was made of it', null=True)),
                ('unit', models.CharField(blank=True, max_length=4)),
                ('unit_from', models.CharField(blank=True, max_length=60)),
                ('separator', models.CharField(blank=True, max_length=12)),
                ('header', models.TextField(blank=True)),
                ('floor_found_dbm', models.FloatField(blank=True, null=True)),
                ('faults', models.JSONField(default=list)),
                ('fault_count', models.PositiveIntegerField(default=0)),
                ('version', models.PositiveIntegerField(default=1)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='surveys', to='events.event')),
                ('zone', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='surveys', to='events.zone')),
            ],
            options={
                'ordering': ['event', '-number'],
                'constraints': [models.UniqueConstraint(fields=('event', 'number'), name='spectrum_survey_number_once_per_event'), models.CheckConstraint(condition=models.Q(('resolution_hz__gt', 0)), name='spectrum_survey_resolution_positive')],
            },
        ),
        migrations.CreateModel(
            name='SurveyPiece',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('content', models.BinaryField()),
                ('survey', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='pieces', to='spectrum.survey')),
            ],
            options={
                'ordering': ['survey', 'number'],
                'constraints': [models.UniqueConstraint(fields=('survey', 'number'), name='spectrum_piece_once_per_survey')],
            },
        ),
        migrations.CreateModel(
            name='SurveyTrace',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('content', models.BinaryField()),
                ('survey', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='trace', to='spectrum.survey')),
            ],
        ),
        migrations.CreateModel(
            name='TelevisionChannel',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('raster', models.CharField(max_length=40)),
                ('name', models.CharField(max_length=8)),
                ('occupied', models.BooleanField()),
                ('source', models.CharField(max_length=200)),
                ('known_on', models.DateField()),
                ('version', models.PositiveIntegerField(default=1)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='television_channels', to='events.event')),
                ('taken', models.OneToOneField(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='channel', to='spectrum.occupied')),
            ],
            options={
                'ordering': ['event', 'raster', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('event', 'raster', 'name'), name='spectrum_channel_once_per_event'), models.CheckConstraint(condition=models.Q(models.Q(('occupied', True), ('taken__isnull', False)), models.Q(('occupied', False), ('taken', None)), _connector='OR'), name='spectrum_channel_occupied_is_taken')],
            },
        ),
        migrations.CreateModel(
            name='KnownLoss',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('loss_db', models.FloatField()),
                ('note', models.CharField(max_length=500)),
                ('version', models.PositiveIntegerField(default=1)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='known_losses', to='events.event')),
                ('one', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='events.zone')),
                ('other', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='events.zone')),
            ],
            options={
                'ordering': ['event', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('one', 'other'), name='spectrum_known_loss_once_per_pair'), models.CheckConstraint(condition=models.Q(('one__lt', models.F('other'))), name='spectrum_known_loss_one_before_other'), models.CheckConstraint(condition=models.Q(('loss_db__gt', 0), ('loss_db__lte', 250)), name='spectrum_known_loss_plausible')],
            },
        ),
    ]
