# Common practice, no source
story "two hatches an hour apart"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place HATCH-A kind=hatch assumed=18..25C
place HATCH-B kind=hatch assumed=18..25C
route VAN-1 from=HATCH-A to=HATCH-B departs=09:00 takes=60m
request R-1 patient=P-7001 tube=TB261024,TB261025 type=LIHEP-GEL tests=K
08:40Z collect TB261024 TB261025 by=mira at=HATCH-A on=H-09
09:00Z release TB261024 TB261025 to=HATCH-A by=mira at=HATCH-A on=H-09
09:29Z see TB261024 by=lena at=HATCH-B on=H-08
expect answer recorded
09:29Z expect TB261024 doubt impossible-travel
# half of the way's time is still possible
09:30Z see TB261025 by=lena at=HATCH-B on=H-08
09:30Z expect TB261025 doubt none
# lena knows that the hatch's clock was wrong
09:35Z explain TB261024 doubt=impossible-travel by=lena at=HATCH-B on=H-08 reason=clock-of-the-hatch
09:35Z expect TB261024 doubt none
