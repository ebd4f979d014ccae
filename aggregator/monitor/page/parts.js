// The part of the evening: buttons, a question before the change, the operator's key.
import { put } from "./panels.js";

const STORED = "ripieno-operator-key";

const $ = (id) => document.getElementById(id);

export class PartButtons {
  constructor() {
    this.now = "";
    this.asked = "";
    // The key may come in the address after #, which browsers never send; it is taken out of the address bar at once.
    const given = new URLSearchParams(location.hash.slice(1)).get("key");
    if (given) {
      sessionStorage.setItem(STORED, given);
      history.replaceState(null, "", location.pathname);
    }
    $("key").value = sessionStorage.getItem(STORED) ?? "";
    $("key").addEventListener("change", () => sessionStorage.setItem(STORED, $("key").value));
    $("yes").addEventListener("click", () => this.change());
    $("no").addEventListener("click", () => this.ask(""));
    $("confirm").addEventListener("keydown", (e) => e.key === "Escape" && this.ask(""));
  }

  make(parts) {
    if ($("parts").childElementCount === parts.length) return;
    $("parts").replaceChildren(
      ...parts.map(({ name, open }) => {
        const button = document.createElement("button");
        button.type = "button";
        button.dataset.part = name;
        button.textContent = name;
        button.title = open ? "outputs open" : "outputs closed";
        button.addEventListener("click", () => this.ask(name));
        return button;
      }),
    );
  }

  show(part) {
    if (part === this.now) return;
    this.now = part;
    for (const button of $("parts").children) {
      if (button.dataset.part === part) button.setAttribute("aria-current", "true");
      else button.removeAttribute("aria-current");
    }
  }

  ask(part) {
    const before = this.asked;
    this.asked = part === this.now ? "" : part;
    $("confirm").hidden = !this.asked;
    if (this.asked) {
      put("said", "");
      const button = [...$("parts").children].find((b) => b.dataset.part === this.asked);
      put("question", `Change from ${this.now} to ${this.asked} (${button.title})?`);
      $("no").textContent = `Keep ${this.now}`;
      $("confirm").focus(); // not the button: a key held down would answer at once
    } else if (before) {
      [...$("parts").children].find((b) => b.dataset.part === before)?.focus();
    }
  }

  async change() {
    const part = this.asked;
    this.ask("");
    if (!$("key").value) {
      $("operator").open = true;
      $("key").focus();
      put("said", "Enter the operator key first.");
      return;
    }
    try {
      const answer = await fetch("api/part", {
        method: "POST",
        headers: { Authorization: `Bearer ${$("key").value}`, "Content-Type": "application/json" },
        body: JSON.stringify({ part }),
      });
      put("said", (await answer.json()).said);
    } catch {
      put("said", "Not sent: the service does not answer.");
    }
  }
}
