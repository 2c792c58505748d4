"""The worker app: `celery -A academy.config.celery worker`."""

import os

from celery import Celery

from academy.config import folder_broker

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "academy.config.settings")

folder_broker.make_known()
app = Celery("site")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
