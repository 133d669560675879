"""All addresses for people."""

from buffet.service.web import access, bin, campaigns, jobs, rest, uploading

ROUTERS = (
    campaigns.ROUTER,
    uploading.ROUTER,
    jobs.ROUTER,
    bin.ROUTER,
    access.ROUTER,
    rest.ROUTER,
)
