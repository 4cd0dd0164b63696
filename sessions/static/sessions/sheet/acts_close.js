// Areas that are done in a rally. With checks still open that is said first, and asked for once more.
import { w } from "./words.js";

export const closeActs = {
  close(code, rally = this.rally) {
    if (!rally) {
      this.say(w("no_rally"));
      return;
    }
    if (this.model.closed(rally.uuid, code)) {
      const area = this.model.area.get(code).name;
      if (this.send("area.open", `${rally.uuid}/${code}`)) this.say(w("said_open", { area }));
    } else if (this.sureOf([[rally, code]], `${rally.uuid}/${code}`)) this.say(this.closeOne(rally, code));
  },

  // Every area of the open rally; when every situation has been gone through, of every rally.
  closeAll() {
    const everywhere = this.ui.pass === 2 && !this.situation;
    const rally = this.rally;
    if (!everywhere && !rally) {
      this.say(w("no_rally"));
      return;
    }
    const rallies = everywhere ? this.model.rallyList : [rally];
    const open = rallies.flatMap((row) =>
      this.model.areas
        .filter((area) => !this.model.closed(row.uuid, area.code))
        .map((area) => [row, area.code]),
    );
    if (!this.sureOf(open, everywhere ? "everywhere" : rally.uuid, everywhere)) return;
    const said = open.map(([row, code]) => this.closeOne(row, code));
    if (everywhere) this.say(w(open.length ? "said_everything_closed" : "said_was_closed"));
    else this.say(`${w("said_all_closed", { n: rally.number })} ${said.join(" ")}`.trim());
    if (everywhere) return;
    if (this.ui.pass === 1) this.move(1);
    else this.step(1, true);
  },

  closeOne(rally, code) {
    const situations = this.model.counted(rally.uuid, code);
    this.send("area.close", `${rally.uuid}/${code}`, { situations });
    return w("said_closed", { area: this.model.area.get(code).name, situations: this.count(situations) });
  },

  count(n) {
    return w("situations_n", { n });
  },

  // True when nothing is open, or when it was said what is and the same is asked for again.
  sureOf(areas, what, everywhere = false) {
    let situations = 0;
    let checks = 0;
    for (const [rally, code] of areas) {
      for (const row of this.model.toJudge(rally.uuid, code)) {
        const open = this.model.openChecks(row).length;
        situations += open > 0;
        checks += open;
      }
    }
    const key = `${what} ${areas.length} ${checks}`;
    const asked = everywhere && areas.length > 0;
    if ((!checks && !asked) || this.sure === key) {
      this.sure = null;
      return true;
    }
    this.sure = key;
    const values = { situations: this.count(situations), checks: w("checks_n", { n: checks }) };
    const rallies = new Set(areas.map(([rally]) => rally.uuid)).size;
    const said = checks ? [w("sure_checks", values)] : [];
    if (asked) said.push(w("sure_everywhere", { n: rallies }));
    this.say(`${said.join(" ")} ${w("sure_again")}`);
    return false;
  },
};
