// The socket to the desk: questions that get an answer, and news that come by themselves.
export class Wire {
  constructor({ onPush, onState }) {
    this.onPush = onPush;
    this.onState = onState;
    this.waiting = new Map();
    this.next = 1;
    this.tries = 0;
    this.closed = false;
    this.open();
  }

  open() {
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/wire`);
    this.socket = socket;
    socket.onopen = () => {
      this.tries = 0;
      this.onState("open");
    };
    socket.onmessage = (event) => {
      const said = JSON.parse(event.data);
      if (said.push) {
        this.onPush(said);
        return;
      }
      const entry = this.waiting.get(said.id);
      this.waiting.delete(said.id);
      if (!entry) return;
      if (said.ok) entry.resolve(said);
      else entry.reject(new Error(said.error));
    };
    socket.onclose = () => {
      if (this.closed) return;
      for (const entry of this.waiting.values()) entry.reject(Object.assign(new Error("the link to handfast was cut"), { cut: true }));
      this.waiting.clear();
      this.onState("cut");
      this.tries += 1;
      setTimeout(() => this.open(), Math.min(3000, 300 * this.tries));
    };
  }

  ask(what, more = {}) {
    if (this.socket.readyState !== WebSocket.OPEN) return Promise.reject(new Error("there is no link to handfast"));
    const id = this.next++;
    return new Promise((resolve, reject) => {
      this.waiting.set(id, { resolve, reject });
      this.socket.send(JSON.stringify({ id, do: what, ...more }));
    });
  }

  close() {
    this.closed = true;
    this.socket.close();
  }
}
