"""What was earned. Added to, never edited; a correction names what it corrects.

When a plan earns less, which taxes are added, and what was handed over to the books.
"""

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.models import Person, Site, TreatmentUnit
from scheduling.contracts.models import TAKEN_BACK, ServicePlan, Voidable
from scheduling.visits.models import CloseOut
from shared.model_parts import History, between, known_values
from shared.translation import MessageField


class EntryKind(models.TextChoices):
    """Where an amount comes from."""

    PLAN = "plan", gettext_lazy("Service plan")
    WORK = "work", gettext_lazy("Work outside a plan")
    PARTS = "parts", gettext_lazy("Parts outside a plan")
    CREDIT = "credit", gettext_lazy("Credit")
    CORRECTION = "correction", gettext_lazy("Correction")


class RevenueEntry(models.Model):
    """One amount for one cause, in one month."""

    history = History(changeable=("text",))

    kind = models.CharField(max_length=10, choices=EntryKind)
    cause_key = models.CharField(max_length=120, unique=True)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="revenue_entries")
    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.PROTECT, null=True, blank=True)
    plan = models.ForeignKey(
        ServicePlan, on_delete=models.PROTECT, null=True, blank=True, related_name="revenue_entries"
    )
    close_out = models.ForeignKey(
        CloseOut, on_delete=models.PROTECT, null=True, blank=True, related_name="revenue_entries"
    )
    corrects = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrections"
    )
    month = models.DateField(help_text="First day of the month it is earned in.")
    amount = models.DecimalField(max_digits=12, decimal_places=2)
    text = MessageField()
    entered_at = models.DateTimeField()
    entered_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)

    class Meta:
        verbose_name_plural = "revenue entries"
        ordering = ["month", "id"]
        constraints = [
            known_values("kind", EntryKind, "scheduling_revenueentry_kind_known"),
            models.CheckConstraint(
                condition=Q(month__day=1), name="scheduling_revenueentry_month_is_first_day"
            ),
            models.CheckConstraint(
                condition=~Q(kind="correction") | Q(corrects__isnull=False),
                name="scheduling_revenueentry_correction_names_entry",
            ),
        ]
        indexes = [
            models.Index(fields=["site", "month"], name="scheduling_entry_site_month"),
            models.Index(fields=["month", "id"], name="scheduling_entry_month"),
            models.Index(fields=["entered_at", "id"], name="scheduling_entry_entered"),
        ]

    def __str__(self):
        return f"{self.month:%Y-%m} {self.amount} {self.text}"


class ClosedMonth(models.Model):
    """A month that takes no more entries."""

    history = History()

    month = models.DateField(unique=True)
    closed_at = models.DateTimeField()
    closed_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)

    class Meta:
        ordering = ["-month"]

    def __str__(self):
        return f"{self.month:%Y-%m}"


class PeriodKind(models.TextChoices):
    """Why a plan earns less for a while."""

    DISCOUNT = "discount", gettext_lazy("Discount")
    PAUSE = "pause", gettext_lazy("Pause")


class PlanPeriod(models.Model):
    """A stretch of days in which a plan earns less than its price, or nothing."""

    plan = models.ForeignKey(ServicePlan, on_delete=models.PROTECT, related_name="periods")
    kind = models.CharField(max_length=8, choices=PeriodKind)
    from_on = models.DateField()
    to_on = models.DateField(
        null=True, blank=True, help_text="First day after it; empty: until further notice."
    )
    percent_off = models.DecimalField(max_digits=5, decimal_places=2, help_text="A pause takes all 100.")
    why = models.CharField(max_length=160)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)

    class Meta:
        ordering = ["plan", "from_on", "id"]
        constraints = [
            known_values("kind", PeriodKind, "scheduling_planperiod_kind_known"),
            between("percent_off", 0.01, 100, "scheduling_planperiod_percent_range"),
            models.CheckConstraint(
                condition=~Q(kind="pause") | Q(percent_off=100),
                name="scheduling_planperiod_pause_takes_all",
                violation_error_message=gettext_lazy("A pause takes 100 percent off."),
            ),
            models.CheckConstraint(
                condition=Q(to_on__isnull=True) | Q(to_on__gt=F("from_on")),
                name="scheduling_planperiod_ends_after_start",
                violation_error_message=gettext_lazy("A period ends after it starts."),
            ),
            models.UniqueConstraint(
                fields=["plan", "kind", "from_on"], name="scheduling_planperiod_once_per_day"
            ),
        ]

    def __str__(self):
        return f"{self.plan_id} {self.kind} from {self.from_on}"


class TaxRate(Voidable):
    """A tax from a day on, as a line of its own. Which taxes and on what is for the company to know."""

    history = History(changeable=TAKEN_BACK)

    code = models.CharField(max_length=40)
    name = models.CharField(max_length=80)
    percent = models.DecimalField(max_digits=6, decimal_places=3)
    from_on = models.DateField(help_text="A later row of the same code takes over.")
    area = models.CharField(max_length=80, blank=True, help_text="Sites of this area; empty: every site.")
    falls_on_plans = models.BooleanField(default=True)
    falls_on_work = models.BooleanField(default=True)
    falls_on_parts = models.BooleanField(default=True)
    made_at = models.DateTimeField(null=True, blank=True)
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["code", "from_on"]
        constraints = [
            between("percent", 0, 100, "scheduling_taxrate_percent_range"),
            models.UniqueConstraint(
                fields=["code", "from_on"],
                condition=Q(taken_back_at__isnull=True),
                name="scheduling_taxrate_once_per_day",
                violation_error_message=gettext_lazy("This tax has a rate from that day on already."),
            ),
        ]

    def __str__(self):
        return f"{self.code} {self.percent} % from {self.from_on}"


class InvoiceBatch(models.Model):
    """One hand-over of entries to the books. Its lines never change, so its file is always the same."""

    history = History()

    through = models.DateField(help_text="First day of the newest month in it.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)
    currency = models.CharField(max_length=3)

    class Meta:
        verbose_name_plural = "invoice batches"
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(through__day=1), name="scheduling_invoicebatch_through_is_first_day"
            ),
        ]

    def __str__(self):
        return f"B{self.pk:05d}" if self.pk else "batch"


class InvoiceLine(models.Model):
    """A revenue entry or a tax on it as it was handed over. Added once, never edited."""

    history = History(changeable=("text", "customer_name", "site_name"))

    batch = models.ForeignKey(InvoiceBatch, on_delete=models.PROTECT, related_name="lines")
    number = models.PositiveIntegerField(help_text="1 is the first line of the batch.")
    entry = models.ForeignKey(RevenueEntry, on_delete=models.PROTECT, related_name="invoice_lines")
    tax_rate = models.ForeignKey(
        TaxRate, on_delete=models.PROTECT, null=True, blank=True, help_text="Filled in on a tax line."
    )
    month = models.DateField()
    customer_code = models.CharField(max_length=40)
    customer_name = models.CharField(max_length=160)
    site_code = models.CharField(max_length=40)
    site_name = models.CharField(max_length=160)
    kind = models.CharField(max_length=10)
    text = MessageField()
    amount = models.DecimalField(max_digits=12, decimal_places=2)
    tax_code = models.CharField(max_length=40, blank=True)
    tax_percent = models.DecimalField(max_digits=6, decimal_places=3, null=True, blank=True)

    class Meta:
        ordering = ["batch", "number"]
        constraints = [
            models.UniqueConstraint(fields=["batch", "number"], name="scheduling_invoiceline_number_once"),
            models.UniqueConstraint(
                fields=["entry"],
                condition=Q(tax_rate__isnull=True),
                name="scheduling_invoiceline_entry_once",
                violation_error_message=gettext_lazy("This entry was handed over already."),
            ),
            models.UniqueConstraint(
                fields=["entry", "tax_rate"],
                condition=Q(tax_rate__isnull=False),
                name="scheduling_invoiceline_tax_once",
            ),
        ]

    def __str__(self):
        return f"{self.batch_id}/{self.number} {self.amount}"


class PaidFile(Voidable):
    """One file from the books that said what was paid. Taking it back makes its lines unpaid again."""

    name = models.CharField(max_length=160)
    read_at = models.DateTimeField()
    read_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-id"]

    def __str__(self):
        return self.name


class PaidLine(models.Model):
    """That an invoice line was paid, in full, on a day."""

    line = models.ForeignKey(InvoiceLine, on_delete=models.PROTECT, related_name="payments")
    file = models.ForeignKey(PaidFile, on_delete=models.PROTECT, related_name="lines")
    paid_on = models.DateField()
    reference = models.CharField(max_length=80, blank=True)
    counts = models.BooleanField(default=True, help_text="No longer when its file was taken back.")

    class Meta:
        ordering = ["line", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["line"],
                condition=Q(counts=True),
                name="scheduling_paidline_line_once",
                violation_error_message=gettext_lazy("This line was paid already."),
            ),
        ]

    def __str__(self):
        return f"{self.line_id} paid on {self.paid_on}"
